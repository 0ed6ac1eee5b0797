"""``$viewdefinition-run`` over HTTP (SQL on FHIR 2): rows of a view, as CSV, NDJSON or Parquet."""

import hashlib
from collections.abc import AsyncIterator
from typing import Any

from starlette.responses import Response

from service.errors import NotAcceptable
from service.jobs.research_export import Request, ResearchExport
from service.jobs.table_files import FORMATS, MEDIA_TYPES, Format
from service.jobs.table_stream import MOST_ROWS, table_stream
from service.jobs.view_run import ViewRun, asked_for, texts_for
from service.rest.call import Call, Services
from service.rest.described import FAILED
from service.rest.fields import parameter
from service.rest.negotiation import accepted
from service.rest.research import released, streamed
from service.security.scopes import require

__all__ = ["RUN_DOCS", "run"]

_TYPES: dict[str, Format] = {
    **{name: name for name in FORMATS},
    **{media_type.partition(";")[0]: name for name, media_type in MEDIA_TYPES.items()},
    "application/ndjson": "ndjson",
}
_ROWS = {media_type.partition(";")[0]: {"schema": {"type": "string"}} for media_type in MEDIA_TYPES.values()}
_QUERY = {
    "viewReference": "The view: ViewDefinition/[name], or its canonical URL.",
    "_format": "csv, ndjson or parquet; decides over Accept.",
    "header": "Whether CSV begins with the names of the columns: true or false.",
    "patient": "Only what is about this patient.",
    "group": "Only what is about members of this Group; may be repeated.",
    "_since": "Only what was written since this instant.",
    "_limit": "The most rows.",
    "variant": "Name of the de-identification policy.",
}
RUN_DOCS: dict[str, Any] = {
    "tags": ["FHIR"],
    "description": "Other parameters, and a view sent along, are in the OperationDefinition.",
    "parameters": [
        {"name": name, "in": "query", "description": text, "schema": {"type": "string"}}
        for name, text in _QUERY.items()
    ],
    "responses": {"200": {"description": "The rows.", "content": _ROWS}, "4XX": FAILED, "503": FAILED},
}


async def run(call: Call) -> Response:
    """Answer the rows a view makes of what the caller may read, or of de-identified resources."""
    query = call.criteria
    if said := parameter(call.request, "_format"):
        query.append(("_format", said))
    body = await call.resource_body(optional=True) if call.request.method == "POST" else b""
    asked = asked_for(query, body, max_depth=call.services.settings.max_depth)
    format_ = _format(call, asked.format)
    if asked.variant:
        require(call.principal.scopes, ("research-export",))
        return await streamed(_released(call.services, asked, format_), MEDIA_TYPES[format_])
    return await _stored(call, asked, format_)


async def _released(services: Services, asked: ViewRun, format_: Format) -> AsyncIterator[bytes]:
    """What is de-identified streams, as it names nobody; it is a release as any other."""
    when = services.now().astimezone(services.settings.zone)
    request = Request(asked.variant, when, asked.approval)
    digest, size = hashlib.sha256(), 0
    async with released(services, request, asked.project or asked.variant, computed=True) as release:
        texts = _of_type(release, asked.table.view.definition.resource)
        async for piece in table_stream(asked.table, texts, format_, header=asked.header, limit=asked.most):
            digest.update(piece)
            size += len(piece)
            yield piece
        release.finish(digest.hexdigest(), size)


async def _of_type(release: ResearchExport, type_: str) -> AsyncIterator[bytes]:
    async for found, text in release.resources():
        if found == type_:
            yield text


async def _stored(call: Call, asked: ViewRun, format_: Format) -> Response:
    """What is identified is answered as a whole, so that whom it is about is known before it leaves."""
    texts = texts_for(call.store, asked, call.context)
    pieces = table_stream(asked.table, texts, format_, header=asked.header, limit=asked.most, most=MOST_ROWS)
    whole = b"".join([piece async for piece in pieces])
    return Response(whole, media_type=MEDIA_TYPES[format_])


def _format(call: Call, said: str) -> Format:
    """What ``_format`` or else Accept asks for, NDJSON if neither does; NotAcceptable for anything else."""
    if said:
        wanted = [said.partition(";")[0].strip()]
    else:
        wanted = [one.name for one in accepted(call.header("accept"))]
    for name in wanted:
        if name in {"*/*", "application/*"}:
            return "ndjson"
        if name in _TYPES:
            return _TYPES[name]
    raise NotAcceptable(f"Rows are answered as {', '.join(FORMATS)}.")
