"""Writing the files of a bulk export for research: a release like any other, its lines sorted by type.

Ids are drawn at random and people come in random order, so one that was broken off begins anew.
"""

import re
from collections import defaultdict
from datetime import datetime

from service.fhir.json import reread
from service.jobs.bulk_files import BulkFiles
from service.jobs.bulk_job import BulkJob
from service.jobs.research_export import Request
from service.jobs.research_run import ResearchRuns
from service.operations.bulk_parameters import BulkRequest

__all__ = ["release", "research_request"]

_MANY = 200
"""Lines written at once."""
_TYPE = re.compile(rb'{"resourceType":"([A-Za-z]+)"')


def research_request(request: BulkRequest, now: datetime) -> Request:
    """What a bulk export for research asks of the release."""
    return Request(request.variant, now, request.approval)


async def release(job: BulkJob, files: BulkFiles, runs: ResearchRuns, now: datetime) -> None:
    """Write the files of ``job`` as a release of today, ``now`` in the site's zone.

    The Provenance of the release and the report, Parameters, are among them unless ``_type`` leaves them out.
    """
    request, wanted = job.request, set(job.request.types)
    lines: dict[str, list[bytes]] = defaultdict(list)
    async with runs.released(research_request(request, now), request.project or request.variant) as released:
        async for line in released:
            found = _TYPE.match(line)
            type_ = found[1].decode() if found else str(reread(line)["resourceType"])
            if wanted and type_ not in wanted:
                continue
            lines[type_].append(line.rstrip(b"\n"))
            if len(lines[type_]) == _MANY:
                await files.do(files.write, "output", type_, lines.pop(type_))
        for type_, texts in lines.items():
            await files.do(files.write, "output", type_, texts)
        released.filed(await files.do(files.digests))
