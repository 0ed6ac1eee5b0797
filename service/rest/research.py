"""The de-identified export over HTTP: one NDJSON stream, one export at a time."""

import random
from collections.abc import AsyncIterator
from typing import Annotated, Any

from fastapi import Depends, Query
from starlette.responses import StreamingResponse

from service.errors import StoreUnavailable
from service.jobs.research_export import Request, ResearchExport
from service.jobs.research_place import releases_in, vaults_in
from service.jobs.research_policies import VARIANTS, load_variant
from service.jobs.research_source import ResearchSource
from service.jobs.research_work import Work
from service.rest.call import Call, Services, current_call
from service.rest.described import answers

__all__ = ["EXPORT_DOCS", "NDJSON", "export"]

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
    if services.exporting.locked():
        raise StoreUnavailable("Another export is running; try again when it has finished.")
    asked = Request(variant, services.now().astimezone(services.settings.zone), approval, open_)
    lines = _alone(services, asked, project or variant)
    first = await anext(lines)  # an export that can't begin is an error answer, not a broken stream
    return StreamingResponse(_joined(first, lines), media_type=NDJSON)


async def _alone(services: Services, asked: Request, project: str) -> AsyncIterator[bytes]:
    settings = services.settings
    load_variant(asked.variant)  # before a project of that name is made
    vaults = vaults_in(settings.data_dir, settings.vault_key_file)
    async with services.exporting:
        with (
            services.runs.run("research-export") as counts,
            vaults.working(project, asked.variant) as vault,
            Work(random.SystemRandom()) as work,
        ):
            release = ResearchExport(
                ResearchSource(services.store, asked.now.date()),
                asked,
                vault=vault,
                releases=releases_in(settings.data_dir),
                work=work,
            )
            async for line in release:
                yield line
            counts.update(release.report.counts)


async def _joined(first: bytes, rest: AsyncIterator[bytes]) -> AsyncIterator[bytes]:
    yield first
    async for line in rest:
        yield line
