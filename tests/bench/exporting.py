"""A bulk export of everything, as a service writes it."""

import asyncio
import sqlite3
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, closing
from pathlib import Path
from typing import IO

from service.cli.local import now, opened, settings_for
from service.fhir.search_parameters import stored_types
from service.jobs.bulk_export import BulkExports
from service.jobs.runs import Runs
from service.operations.bulk_parameters import BulkRequest
from service.security.asker import Asker
from service.security.remembered import Remembered
from service.store.code_lists import CodeLists
from tests.bench.measure import Row, alternately
from tests.bench.people import bench
from tests.soak.people import fill

__all__ = ["bulk_export", "exported_whole"]

LIMIT = 2
"""Half the pace of copying the bytes."""
_ASKER = Asker("bench", "bench", "bench", "system/*.rs")
_COPIED = (
    "SELECT c.type, r.content FROM resource r JOIN current c ON c.sequence = r.sequence ORDER BY r.sequence"
)


async def bulk_export(folder: Path, resources: int, rounds: int) -> Row:
    """Everything of a store into files, against the same bytes copied out of the same rows."""
    place = folder / "exported"
    async with bench(place) as filled:
        await fill(filled, resources)

    async def floor() -> None:
        _copied(place / "swallow.sqlite", folder / "copied")

    async with _exports(place) as bulk:
        work, baseline = await alternately(lambda: _whole(bulk), floor, rounds=rounds)
    return Row(
        f"$export of {resources:,} resources",
        "bare sqlite3 reads the same rows and writes the bytes to a file a type",
        work,
        baseline,
        LIMIT,
    )


async def exported_whole(folder: Path) -> tuple[int, float]:
    """Export the store in a folder; answers how many resources, and the processor's seconds."""
    async with _exports(folder) as bulk:
        begin = time.process_time()
        return await _whole(bulk), time.process_time() - begin


@asynccontextmanager
async def _exports(folder: Path) -> AsyncIterator[BulkExports]:
    settings = settings_for(folder)
    async with opened(settings) as store:
        lists = CodeLists(settings.code_list_folder)
        yield BulkExports(settings, store, store, now, Remembered(), lists, Runs(), asyncio.Lock())


async def _whole(bulk: BulkExports) -> int:
    moment, settled = await bulk.settled()
    request = BulkRequest(types=tuple(one for one in stored_types() if one != "AuditEvent"))
    id_ = await bulk.begin(
        _ASKER,
        request,
        moment=moment,
        settled=settled,
        base="http://x.example/fhir",
        address="http://x.example",
    )
    folder = bulk.exports.find(id_)
    job = folder.job
    if job is None:
        raise RuntimeError("The export is not there.")
    await bulk.work(job, folder)
    progress = folder.progress
    folder.remove()
    if progress is None or not progress.ended or progress.error:
        raise RuntimeError(f"The export did not end: {progress}")
    return progress.lines


def _copied(database: Path, folder: Path) -> None:
    folder.mkdir(exist_ok=True)
    files: dict[str, IO[bytes]] = {}
    with closing(sqlite3.connect(database)) as connection:
        for type_, content in connection.execute(_COPIED):
            file = files.get(type_) or files.setdefault(type_, (folder / type_).open("wb"))
            file.write(content)
            file.write(b"\n")
    for file in files.values():
        file.close()
