"""Answers in FHIR's shape: bodies, entity tags, dates and locations (FHIR R4 http.html)."""

import gzip
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from email.utils import format_datetime, parsedate_to_datetime
from functools import lru_cache
from hashlib import sha256
from typing import Any

import msgspec
from starlette.responses import Response

from service.errors import InvalidInput, Issue, IssueType, NotAcceptable, Severity
from service.fhir import xml_writer
from service.fhir.json import dump, reread
from service.fhir.outcome import operation_outcome
from service.fhir.summary import Subset, part, subset_of
from service.interactions.aside import aside
from service.rest.call import Call
from service.rest.negotiation import is_xml, media_type
from service.store.contract import Version

__all__ = [
    "answer",
    "http_date",
    "reads_gzip",
    "resource",
    "stored",
    "tagged",
    "unchanged",
    "version_headers",
    "version_url",
    "written",
]

_WHOLE = Subset()
_LONG = 10_000
"""Bytes of JSON from which on XML is made aside: a millisecond's work."""
_LARGE = 4_000
"""Bytes from which on compression is worth it: below a few network packets nothing is won."""


async def answer(
    call: Call, body: bytes, *, status: int = 200, headers: Mapping[str, str] | None = None
) -> Response:
    """Answer FHIR JSON text, as XML if that was chosen: every FHIR body leaves here.

    It is indented if ``_pretty=true`` asks for it, and compressed if it is large and the caller reads gzip.
    """
    if is_xml(call.media_type):
        body = await _in_xml(body, indent=call.pretty)
    elif call.pretty:
        body = msgspec.json.format(body, indent=2)  # rewrites white space alone, numbers keep their text
    if len(body) >= _LARGE:
        headers = {**(headers or {}), "Vary": "Accept-Encoding"}
        if reads_gzip(call):
            headers["Content-Encoding"] = "gzip"
            body = gzip.compress(body, compresslevel=1, mtime=0)  # which holds up the other callers least
    return _Bytes(body, status, call.media_type, headers or {})


async def _in_xml(body: bytes, *, indent: bool) -> bytes:
    if len(body) < _LONG:
        return _xml(body, indent=indent)
    return await aside(_xml, body, indent=indent)


def _xml(body: bytes, *, indent: bool) -> bytes:
    return xml_writer.dump(reread(body), indent=indent)


class _Bytes(Response):
    """A response of bytes: what Starlette's own looks for in text and headers is known here."""

    def __init__(self, body: bytes, status: int, media_type: str, headers: Mapping[str, str]) -> None:
        self.body, self.status_code, self.background = body, status, None
        self.raw_headers = [
            (b"content-length", b"%d" % len(body)),
            (b"content-type", media_type.encode("latin-1")),
        ]
        for name, value in headers.items():
            self.raw_headers.append((_field_name(name), value.encode("latin-1")))


@lru_cache(maxsize=100)
def _field_name(name: str) -> bytes:
    return name.lower().encode("latin-1")


async def resource(call: Call, tree: Mapping[str, Any], *, status: int = 200) -> Response:
    """Answer a resource that was made for this answer."""
    return await answer(call, dump(tree), status=status)


async def tagged(call: Call, body: bytes) -> Response:
    """Answer text that is no stored version with an entity tag of its own, or 304 if the caller has it."""
    etag = f'W/"{sha256(body).hexdigest()[:16]}"'
    subset = _subset(call)
    if _named(call, etag):
        return Response(status_code=304, headers={"ETag": etag})
    return await answer(call, part(body, subset), headers={"ETag": etag})


async def stored(call: Call, version: Version) -> Response:
    """Answer a stored version with the very bytes that are stored, or 304 if the caller has it.

    ``_summary`` and ``_elements`` ask for a part of it.
    """
    headers = version_headers(version)
    subset = _subset(call)
    if unchanged(call, version):
        return Response(status_code=304, headers=headers)
    return await answer(call, part(version.content, subset), headers=headers)


async def written(call: Call, version: Version, *, status: int, issues: Sequence[Issue] = ()) -> Response:
    """Answer a create or update: as much as ``Prefer: return=`` asks for, and where it is now.

    ``issues`` are what was noticed and accepted.
    """
    where = "Location" if status == 201 else "Content-Location"
    headers = version_headers(version) | {where: version_url(call.base, version)}
    if call.prefer("return") == call.wanted:
        headers["Preference-Applied"] = f"return={call.wanted}"
    if call.wanted == "minimal":
        return Response(status_code=status, headers=headers)
    body = version.content if call.wanted == "representation" else dump(_done(status, issues))
    try:
        return await answer(call, body, status=status, headers=headers)
    except NotAcceptable:  # XML can't carry it; it is stored all the same, and this says so
        return Response(status_code=status, headers=headers)


def version_headers(version: Version) -> dict[str, str]:
    """ETag and Last-Modified of a version; who keeps it has to ask before using it again."""
    return {
        "ETag": version.etag,
        "Last-Modified": http_date(version.last_updated),
        "Cache-Control": "no-cache",
    }


def version_url(base: str, version: Version) -> str:
    """The address of one version."""
    return f"{base}/{version.type}/{version.id}/_history/{version.version}"


def http_date(instant: str) -> str:
    """A FHIR instant as the store writes it, in UTC, as an HTTP date (RFC 9110), whole seconds."""
    return f"{_http_day(instant[:10])} {instant[11:19]} GMT"


@lru_cache(maxsize=1_000)
def _http_day(day: str) -> str:
    midnight = datetime.fromisoformat(day).replace(tzinfo=UTC)
    return format_datetime(midnight, usegmt=True).removesuffix(" 00:00:00 GMT")


def reads_gzip(call: Call) -> bool:
    """Whether the caller takes an answer that is compressed."""
    return _names_gzip(call.header("accept-encoding"))


@lru_cache(maxsize=256)
def _names_gzip(accepted: str) -> bool:
    codings = map(media_type, accepted.split(","))
    return any(one.name == "gzip" and one.quality > 0 for one in codings)


def _subset(call: Call) -> Subset:
    if not call.request.scope["query_string"]:
        return _WHOLE
    query = call.request.query_params
    elements = ",".join(one for one in query.getlist("_elements") if one)
    try:
        return subset_of(query.get("_summary", ""), elements)
    except ValueError as error:
        raise InvalidInput(f"{error}.") from error


def unchanged(call: Call, version: Version) -> bool:
    """Whether the caller has it: If-None-Match decides, else If-Modified-Since (RFC 9110 section 13.2.2)."""
    if call.header("if-none-match"):
        return _named(call, version.etag)
    since = _moment(call.header("if-modified-since"))
    return since is not None and datetime.fromisoformat(version.last_updated).replace(microsecond=0) <= since


def _named(call: Call, etag: str) -> bool:
    """Whether If-None-Match names the entity tag; compared weakly (RFC 9110 section 8.8.3.2)."""
    named = {tag.strip().removeprefix("W/") for tag in call.header("if-none-match").split(",")}
    return "*" in named or etag.removeprefix("W/") in named


def _moment(text: str) -> datetime | None:
    """An HTTP date; None for none, and for one that can't be read, which RFC 9110 says to ignore."""
    try:
        moment = parsedate_to_datetime(text) if text else None
    except ValueError:
        return None
    return moment.replace(tzinfo=UTC) if moment and moment.tzinfo is None else moment


def _done(status: int, issues: Sequence[Issue]) -> dict[str, Any]:
    sentence = "Created." if status == 201 else "Stored."
    return operation_outcome([Issue(sentence, Severity.INFORMATION, IssueType.INFORMATIONAL), *issues])
