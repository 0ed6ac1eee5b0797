"""The same work on PostgreSQL: records and searches against SQLite, reads by several service processes."""

import asyncio
import os
from collections.abc import Awaitable
from contextlib import ExitStack
from functools import partial
from pathlib import Path
from unittest.mock import patch

from service.operations.upload import Upload
from service.store.contract import Page
from service.store.pages import about
from tests.bench.http_load import Caller, called
from tests.bench.measure import Row, Size, alternately, timed
from tests.bench.people import VISITS, Bench, bench, uploads
from tests.bench.serving import CONNECTIONS, running

__all__ = ["on_postgres"]

_SECONDS = 2.0


async def on_postgres(folder: Path, url: str, people: int) -> tuple[list[Row], list[Size]]:
    """``url`` names an empty database."""
    async with bench(folder / "sqlite") as lite, bench(folder / "postgres", database_url=url) as large:
        records = uploads(people)
        pairs = [(await _seconds(large, one), await _seconds(lite, one)) for one in records]
        measured, floor = zip(*pairs[VISITS:], strict=True)
        rows = [Row("intake of one visit record on PostgreSQL", "the same on SQLite", measured, floor)]
        rows.append(await _page(large, lite))
        ids = [f"/fhir/{one.type}/{one.id}" async for one in large.store.changes()]
    reads = [await _reads(folder / "postgres", url, ids, processes) for processes in (1, 2, 4)]
    return rows, reads


async def _seconds(place: Bench, upload: Upload) -> float:
    return await timed(lambda: place.accept(upload))


async def _page(large: Bench, lite: Bench) -> Row:
    """The first page of a person's Observations."""
    queries = {}
    for place in (large, lite):
        (patient, *_) = [one async for one in place.store.changes() if one.type == "Patient"]
        queries[id(place)] = about("Observation", patient.id)

    def ask(place: Bench) -> Awaitable[Page]:
        return place.store.search(queries[id(place)])

    took = await alternately(partial(ask, large), partial(ask, lite), rounds=30, times=3)
    return Row("every Observation of a person on PostgreSQL", "the same on SQLite", *took)


async def _reads(folder: Path, url: str, paths: list[str], processes: int) -> Size:
    """Reads by id a second over HTTP with a token, the connections shared out among the processes."""
    with ExitStack() as stack:
        stack.enter_context(patch.dict(os.environ, {"SWALLOW_DATABASE_URL": url}))
        callers = [stack.enter_context(running(folder))[1] for _ in range(processes)]
        share = CONNECTIONS // processes
        await asyncio.gather(*(_ask(caller, paths, share) for caller in callers))
        counts = await asyncio.gather(*(_ask(caller, paths, share) for caller in callers))
    what = f"reads by id from PostgreSQL, {processes} service process{'es' if processes > 1 else ''}"
    return Size(what, sum(counts) / _SECONDS, "a second")


async def _ask(caller: Caller, paths: list[str], connections: int) -> int:
    requests = [caller.request("GET", path) for path in paths]
    return len(await called(caller, requests, connections=connections, seconds=_SECONDS))
