"""The de-identified export over HTTP: one NDJSON stream, one export at a time."""

import random
from collections.abc import AsyncIterator
from typing import Annotated, Any

from fastapi import Depends, Query
from starlette.responses import StreamingResponse

from service.errors import StoreUnavailable
from service.jobs.research_export import ResearchExport
from service.jobs.vault import Vault
from service.rest.call import Call, Services, current_call
from service.rest.described import answers

__all__ = ["EXPORT_DOCS", "NDJSON", "export"]

NDJSON = "application/fhir+ndjson"
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
    variant: Annotated[str, Query(description="Name of the policy: `safe-harbor`.")],
) -> StreamingResponse:
    """Stream the release. While one export runs, another is answered 503: both would draw random ids."""
    services = call.services
    if services.exporting.locked():
        raise StoreUnavailable("Another export is running; try again when it has finished.")
    release = ResearchExport(
        services.store,
        variant=variant,
        now=services.now().astimezone(services.settings.zone),
        vault=Vault(services.settings.data_dir / "research-vault"),
        random=random.SystemRandom(),
    )
    lines = _alone(services, release)
    first = await anext(lines)  # an export that can't begin is an error answer, not a broken stream
    return StreamingResponse(_joined(first, lines), media_type=NDJSON)


async def _alone(services: Services, release: ResearchExport) -> AsyncIterator[bytes]:
    async with services.exporting:
        with services.runs.run("research-export") as counts:
            async for line in release:
                yield line
            counts.update(release.report.counts)


async def _joined(first: bytes, rest: AsyncIterator[bytes]) -> AsyncIterator[bytes]:
    yield first
    async for line in rest:
        yield line
