"""The de-identified export over HTTP: one NDJSON stream, one export at a time."""

import random
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Annotated, Any

from fastapi import Depends, Query
from starlette.responses import StreamingResponse

from service.errors import StoreUnavailable
from service.jobs.goal_statuses import statuses_by_visit
from service.jobs.research_export import Request, ResearchExport
from service.jobs.research_place import releases_in, vaults_in
from service.jobs.research_policies import VARIANTS, load_variant
from service.jobs.research_source import ResearchSource
from service.jobs.research_work import Work
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


@asynccontextmanager
async def released(
    services: Services, asked: Request, project: str, *, computed: bool = False
) -> AsyncIterator[ResearchExport]:
    """The one export that may run now, with goal statuses computed by visit if wanted."""
    if services.exporting.locked():
        raise StoreUnavailable("Another export is running; try again when it has finished.")
    settings = services.settings
    load_variant(asked.variant)  # before a project of that name is made
    vaults = vaults_in(settings.data_dir, settings.vault_key_file)
    async with services.exporting:
        with (
            services.runs.run("research-export") as counts,
            vaults.working(project, asked.variant) as vault,
            Work(random.SystemRandom()) as work,
        ):
            source = ResearchSource(services.store, asked.now.date())
            release = ResearchExport(
                source,
                asked,
                vault=vault,
                releases=releases_in(settings.data_dir),
                work=work,
                computed=statuses_by_visit(source, asked.variant, settings) if computed else None,
            )
            yield release
            counts.update(release.report.counts)


async def _lines(services: Services, asked: Request, project: str) -> AsyncIterator[bytes]:
    async with released(services, asked, project) as release:
        async for line in release:
            yield line


async def _joined(first: bytes, rest: AsyncIterator[bytes]) -> AsyncIterator[bytes]:
    yield first
    async for line in rest:
        yield line
