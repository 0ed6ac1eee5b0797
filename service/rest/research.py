"""The de-identified export over HTTP: one NDJSON stream, one export at a time."""

from collections.abc import AsyncIterator
from contextlib import AbstractAsyncContextManager
from typing import Annotated, Any

from fastapi import Depends, Query
from starlette.responses import StreamingResponse

from service.jobs.research_export import Request, ResearchExport
from service.jobs.research_policies import VARIANTS
from service.jobs.research_run import ResearchRuns
from service.rest.call import Call, Services, current_call
from service.rest.described import answers

__all__ = ["EXPORT_DOCS", "NDJSON", "export", "released", "streamed"]

NDJSON = "application/fhir+ndjson"
_NAMES = ", ".join(f"`{name}`" for name in VARIANTS)
_LINES = (
    "One resource a line, people in random order: first the Provenance of the release, last a Parameters "
    "resource with the counts, what was left out and why, and k."
)
EXPORT_DOCS: dict[str, Any] = {
    "tags": ["Research"],
    "summary": "De-identified resources of everybody who permits research",
    "response_class": StreamingResponse,
    "responses": answers({200: _LINES}, NDJSON),
}


async def export(
    call: Annotated[Call, Depends(current_call)],
    variant: Annotated[str, Query(description=f"Name of the policy: {_NAMES}.")],
    project: Annotated[
        str, Query(description="Whose random ids are used; one policy each, default its name.")
    ] = "",
    approval: Annotated[
        str, Query(description="The agreement, determination or vote the release rests on; some need it.")
    ] = "",
    open_: Annotated[
        bool, Query(alias="open", description="For everybody, not for known recipients alone.")
    ] = False,
) -> StreamingResponse:
    """Stream the release. While one export runs, another is answered 503: both would draw random ids.

    By some policies nothing is released while too few people are alike: 422 tells which, by random ids.
    """
    services = call.services
    asked = Request(variant, services.now().astimezone(services.settings.zone), approval, open_)
    lines = _lines(services, asked, project or variant)
    return await streamed(lines, NDJSON)


async def streamed(pieces: AsyncIterator[bytes], media_type: str) -> StreamingResponse:
    """Answer a stream; what can't begin is an error answer, not a broken stream."""
    first = await anext(pieces)
    return StreamingResponse(_joined(first, pieces), media_type=media_type)


def released(
    services: Services, asked: Request, project: str, *, computed: bool = False
) -> AbstractAsyncContextManager[ResearchExport]:
    """See ResearchRuns."""
    runs = ResearchRuns(services.store, services.settings, services.runs, services.exporting)
    return runs.released(asked, project, computed=computed)


async def _lines(services: Services, asked: Request, project: str) -> AsyncIterator[bytes]:
    async with released(services, asked, project) as release:
        async for line in release:
            yield line


async def _joined(first: bytes, rest: AsyncIterator[bytes]) -> AsyncIterator[bytes]:
    yield first
    async for line in rest:
        yield line
