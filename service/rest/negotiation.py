"""Which format a request is in and which one its answer takes (FHIR R4 http.html, Content Types).

JSON and XML are offered, JSON where nothing decides. A generic type (``application/json``, ``text/xml``) is
answered with that type.
"""

from dataclasses import dataclass
from functools import lru_cache

from starlette.requests import HTTPConnection, Request

from service.errors import NotAcceptable, UnsupportedMediaType
from service.rest.fields import field, parameter

__all__ = [
    "FHIR_JSON",
    "FHIR_TYPES",
    "FHIR_VERSION",
    "FHIR_XML",
    "FORMATS",
    "JSON_TYPES",
    "XML_TYPES",
    "MediaType",
    "accepted",
    "answer_type",
    "body_is_xml",
    "content_type",
    "format_type",
    "is_fhir_body",
    "is_xml",
    "media_type",
    "prefers_xml",
]

FHIR_JSON = "application/fhir+json"
FHIR_XML = "application/fhir+xml"
JSON_TYPES = (FHIR_JSON, "application/json", "text/json")
FHIR_TYPES = (FHIR_JSON, FHIR_XML)
XML_TYPES = (FHIR_XML, "application/xml", "text/xml")
FORMATS = (*JSON_TYPES, "json", *XML_TYPES, "xml")
"""What ``_format`` and the CapabilityStatement name."""

FHIR_VERSION = "4.0"

_RANGES = {"*/*": FHIR_JSON, "application/*": FHIR_JSON, "text/*": "text/json"}
_FORMATS = {name: name for name in (*JSON_TYPES, *XML_TYPES)} | {"json": FHIR_JSON, "xml": FHIR_XML}
_OFFERED = "This service speaks FHIR R4 (fhirVersion 4.0): application/fhir+json or application/fhir+xml."


@dataclass(frozen=True, slots=True)
class MediaType:
    """``type/subtype`` in lower case, and its parameters with lower-case names."""

    name: str
    parameters: dict[str, str]

    @property
    def quality(self) -> float:
        """The weight of RFC 9110, 1 if absent; 0 if it is no number, which takes the type out."""
        try:
            return float(self.parameters.get("q", "1"))
        except ValueError:
            return 0.0

    @property
    def speaks_r4(self) -> bool:
        """Whether its ``fhirVersion`` parameter, if any, is R4's."""
        return self.parameters.get("fhirversion", FHIR_VERSION) == FHIR_VERSION


def media_type(text: str) -> MediaType:
    """Read one media type with its parameters."""
    name, *rest = text.split(";")
    pairs = (part.partition("=") for part in rest)
    parameters = {key.strip().lower(): value.strip().strip('"') for key, _, value in pairs}
    return MediaType(name.strip().lower(), parameters)


def answer_type(request: HTTPConnection) -> str:
    """Answer the Content-Type of the answer, or raise NotAcceptable. ``_format`` overrides Accept."""
    return _answer_type(field(request, "accept"), parameter(request, "_format"))


def format_type(format_: str) -> str:
    """Answer the Content-Type that a ``_format`` asks for, or raise NotAcceptable."""
    return _answer_type("", format_)


@lru_cache(maxsize=256)
def _answer_type(accept: str, format_: str) -> str:
    if format_:
        # the plus sign of application/fhir+json reaches us as a space if the client did not encode it
        return _chosen([media_type(format_.replace(" ", "+"))])
    return _chosen(accepted(accept))


def accepted(accept: str) -> list[MediaType]:
    """What the Accept field names, the most wanted first; anything, if it names nothing."""
    ranges = [media_type(part) for part in accept.split(",") if part.strip()]
    return sorted((one for one in ranges if one.quality > 0), key=lambda one: -one.quality) or (
        [] if ranges else [media_type("*/*")]
    )


def is_fhir_body(request: Request) -> bool:
    """Whether the body is said to be a resource: one of FHIR's types, or a plain JSON type."""
    return media_type(field(request, "content-type")).name in {*FHIR_TYPES, *JSON_TYPES}


def _chosen(ranges: list[MediaType]) -> str:
    for wanted in ranges:
        name = _FORMATS.get(wanted.name) or _RANGES.get(wanted.name)
        if name and wanted.speaks_r4:
            return f"{name}; fhirVersion={FHIR_VERSION}" if "fhirversion" in wanted.parameters else name
    raise NotAcceptable(_OFFERED)


def is_xml(type_: str) -> bool:
    """Whether an answer of this negotiated type is written as XML."""
    return type_.startswith(XML_TYPES)


def prefers_xml(request: HTTPConnection) -> bool:
    """Whether the caller would rather read an error in XML; any Accept will do for an error."""
    try:
        return is_xml(answer_type(request))
    except NotAcceptable:
        return False


def body_is_xml(request: Request) -> bool:
    """Whether the body is FHIR XML rather than JSON; UnsupportedMediaType unless it is one of them.

    It must be in UTF-8, not compressed, and of R4.
    """
    return content_type(request, (*JSON_TYPES, *XML_TYPES)).name in XML_TYPES


def content_type(request: Request, accepted: tuple[str, ...]) -> MediaType:
    """Answer the body's media type if it is one of ``accepted``, of R4, in UTF-8 and not compressed."""
    kind = media_type(field(request, "content-type"))
    offered = ", ".join(accepted)
    if kind.name not in accepted:
        raise UnsupportedMediaType(f"Content-Type must be one of: {offered}.")
    if not kind.speaks_r4:
        raise UnsupportedMediaType(_OFFERED)
    if kind.parameters.get("charset", "utf-8").lower() not in {"utf-8", "utf8"}:
        raise UnsupportedMediaType("Send the body in UTF-8.")
    if field(request, "content-encoding").lower() not in {"", "identity"}:
        raise UnsupportedMediaType("Send the body without compression (no Content-Encoding).")
    return kind
