"""What it costs to record every access before it is answered."""

import os
import time
from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path
from unittest.mock import patch

from tests.bench.http_load import Caller, called
from tests.bench.measure import Row
from tests.bench.people import bench, uploads
from tests.bench.serving import CONNECTIONS, UNAUDITED, quantile
from tests.invented_visits import visit_records
from tests.processes import COMMAND, serving, token

__all__ = ["auditing"]

READ_SHARE = 0.65
"""Reads that are recorded reach at least so much of the rate of those that are not."""
WRITE_SHARE = 1.15
_ROUNDS = 4
_WRITERS = 4
_PEOPLE = 6


async def auditing(folder: Path, postgres: str) -> list[Row]:
    """The rows on SQLite and on PostgreSQL; ``postgres`` names an empty database."""
    rows: list[Row] = []
    for name, url in (("SQLite", ""), ("PostgreSQL", postgres)):
        place = folder / f"audit-{name}"
        async with bench(place, database_url=url) as filled:
            for upload in uploads(_PEOPLE):
                await filled.accept(upload)
            paths = [f"/fhir/{one.type}/{one.id}" async for one in filled.store.changes()]
        with patch.dict(os.environ, {"SWALLOW_DATABASE_URL": url}):
            rows += await _on(name, place, paths)
    return rows


async def _on(name: str, folder: Path, paths: Sequence[str]) -> list[Row]:
    with ExitStack() as stack:
        words = ("serve", "--port", "0", "--development-issuer", "--data-dir", folder)
        callers = [
            Caller(
                stack.enter_context(serving(*words, command=command)).url, token(folder).read_text().strip()
            )
            for command in (COMMAND, UNAUDITED)
        ]
        reads = [[one.request("GET", path) for path in paths] for one in callers]
        many = await _alternately(callers, reads, connections=CONNECTIONS)
        single = await _alternately(callers, reads, connections=1)
        texts = [text for _, text in visit_records(_PEOPLE + 200)][_PEOPLE * 8 :]
        half = len(texts) // 2
        records = [
            [one.request("POST", "/intake/visits", text.encode()) for text in some]
            for one, some in zip(callers, (texts[:half], texts[half:]), strict=True)
        ]
        taken = await _alternately(callers, records, connections=_WRITERS)
    baseline = "the same without its AuditEvent"
    return [
        Row(
            f"read by id, recorded, {CONNECTIONS} connections, {name}", baseline, *many, limit=1 / READ_SHARE
        ),
        Row(f"read by id, recorded, one client, {name}", baseline, *single),
        Row(f"visit record taken in, recorded, {name}", baseline, *taken, limit=WRITE_SHARE),
    ]


async def _alternately(
    callers: Sequence[Caller], requests: Sequence[Sequence[bytes]], *, connections: int
) -> list[list[float]]:
    """Seconds of wall time for one request of each, in turn; the first round is for warming up."""
    took: list[list[float]] = [[], []]
    for _ in range(_ROUNDS + 1):
        for own, caller, some in zip(took, callers, requests, strict=True):
            begin = time.perf_counter()
            done = await called(caller, some, connections=connections, seconds=1.5)
            own.append((time.perf_counter() - begin) / len(done) if connections > 1 else quantile(done, 0.5))
    return [own[1:] for own in took]
