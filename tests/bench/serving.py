"""A whole service as a process: reading over HTTP, searches while records come in, start-up, memory."""

import asyncio
import re
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.bench.floor import BareStore, rows_after
from tests.bench.http_load import Caller, called
from tests.bench.measure import Row, Size
from tests.bench.people import VISITS, bench, uploads
from tests.invented_visits import visit_records
from tests.processes import COMMAND, Server, serving, token

__all__ = [
    "UNAUDITED",
    "memory",
    "over_http",
    "pages_over_http",
    "quantile",
    "reads_over_http",
    "running",
    "searches_beside_intake",
]

READ_SHARE = 0.6
"""Reads by id over HTTP reach at least so much of the bare application's rate."""
P99_LIMIT = 20
"""The slowest search in a hundred takes at most so many times as long as the usual one when idle."""
START_SECONDS = 1.5
REST_MEGABYTES = 200
CONNECTIONS = 64
UNAUDITED = (sys.executable, "-m", "tests.bench.unaudited")
"""The service without its audit trail, as a command."""
SEARCHERS = 16
_EACH = 0.25
"""Seconds between the searches of one client: what clinicians at work do, not a flood."""


@contextmanager
def running(folder: Path, command: tuple[str, ...] = COMMAND) -> Iterator[tuple[Server, Caller]]:
    """The service over the database in ``folder``."""
    words = ("serve", "--port", "0", "--development-issuer", "--data-dir", folder)
    with serving(*words, command=command) as server:
        yield server, Caller(server.url, token(folder).read_text().strip())


async def over_http(folder: Path, people: int) -> tuple[list[Row], list[Size]]:
    """Every measurement of a running service."""
    async with bench(folder / "http") as place:
        for upload in uploads(people):
            await place.accept(upload)
    sizes = [start_up(folder / "http")]
    with running(folder / "http", UNAUDITED) as (_, caller):
        rows = [await reads_over_http(folder, caller)]
    with running(folder / "http") as (server, caller):
        sizes.append(Size("memory of the service at rest", memory(server) / 1e6, "MB", most=REST_MEGABYTES))
        rows += [
            await pages_over_http(folder, caller),
            *await searches_beside_intake(folder, caller, people),
        ]
    return rows, sizes


async def reads_over_http(folder: Path, caller: Caller, rounds: int = 5) -> Row:
    """Reads by id with a token, on 64 connections, against the bare application in a process of its own.

    ``caller`` asks a service without audit trail, as the budget says; ``auditing.py`` has what that costs.
    """
    rows = rows_after(folder / "http" / "swallow.sqlite", 0)
    paths = [f"/fhir/{row[1]}/{row[2]}" for row in rows.current]
    bare_database = folder / "http-floor.sqlite"
    floor = BareStore(bare_database)
    floor.write(rows)
    floor.close()
    command = (sys.executable, "-m", "tests.bench.bare_app")
    with serving(bare_database, command=command) as bare:
        pairs = [
            (await _reads(caller, paths), await _reads(Caller(bare.url), paths)) for _ in range(rounds + 1)
        ]
    ours, bares = zip(*pairs[1:], strict=True)
    return Row(
        f"read by id over HTTP with a token, not recorded, {CONNECTIONS} connections",
        "bare Starlette and sqlite3 answering the same bytes",
        ours,
        bares,
        limit=1 / READ_SHARE,
    )


async def pages_over_http(folder: Path, caller: Caller, rounds: int = 5) -> Row:
    """The first 20 Observations of a person, median of one client, against the bare application.

    After ``reads_over_http``, whose bare database it reads.
    """
    patients = [
        row[2] for row in rows_after(folder / "http" / "swallow.sqlite", 0).current if row[1] == "Patient"
    ]
    paths = [f"/fhir/Observation?patient={one}&_count=20" for one in patients]
    command = (sys.executable, "-m", "tests.bench.bare_app")
    with serving(folder / "http-floor.sqlite", command=command) as bare:
        pairs = [
            (await _usual(caller, paths), await _usual(Caller(bare.url), paths)) for _ in range(rounds + 1)
        ]
    ours, bares = zip(*pairs[1:], strict=True)
    return Row(
        "first page of 20 Observations over HTTP with a token, p50 of one client",
        "bare Starlette and sqlite3 answering the same texts",
        ours,
        bares,
    )


async def _usual(caller: Caller, paths: list[str]) -> float:
    """The median time of one search."""
    requests = [caller.request("GET", path) for path in paths]
    return quantile(await called(caller, requests, connections=1, seconds=1.0), 0.5)


async def _reads(caller: Caller, paths: list[str]) -> float:
    """Mean seconds of wall time for one read."""
    begin = time.perf_counter()
    done = await called(
        caller, [caller.request("GET", path) for path in paths], connections=CONNECTIONS, seconds=1.5
    )
    return (time.perf_counter() - begin) / len(done)


async def searches_beside_intake(folder: Path, caller: Caller, people: int) -> list[Row]:
    """The slowest search in a hundred while records come in at half the rate they can, against idle."""
    patients = [
        row[2] for row in rows_after(folder / "http" / "swallow.sqlite", 0).current if row[1] == "Patient"
    ]
    asked = "&date=ge2026-01-01&_count=20&_total=none"
    searches = [caller.request("GET", f"/fhir/Observation?patient={one}{asked}") for one in patients]
    records = [
        caller.request("POST", "/intake/visits", text.encode())
        for _, text in list(visit_records(people + 120))[people * VISITS :]
    ]
    batches = iter([records[first : first + 320] for first in range(0, len(records), 320)])
    peak = len(await called(caller, next(batches), connections=1, seconds=6)) / 6
    rows = []
    for name, each in ((f"each every {_EACH} s", _EACH), ("each at once again", None)):
        idle = await called(caller, searches, connections=SEARCHERS, seconds=6, each=each)
        intake = called(caller, next(batches), connections=1, seconds=8, each=2 / peak)
        busy, _ = await asyncio.gather(
            called(caller, searches, connections=SEARCHERS, seconds=8, each=each), intake
        )
        rows.append(
            Row(
                f"search while {peak / 2:.0f} records a second come in, p99 of {SEARCHERS} clients, {name}",
                "the same when idle, p50",
                [quantile(busy, 0.99)],
                [quantile(idle, 0.5)],
                limit=P99_LIMIT,
            )
        )
    return rows


def start_up(folder: Path, times: int = 5) -> Size:
    """Seconds from the command to the first answer; the best of several, as the rest is other programs."""
    took = []
    for _ in range(times):
        begin = time.perf_counter()
        with serving("serve", "--port", "0", "--development-issuer", "--data-dir", folder):
            took.append(time.perf_counter() - begin)
    return Size("from the command to the first answer", min(took), "s", most=START_SECONDS)


def memory(server: Server) -> int:
    """Bytes of main memory the process holds."""
    status = Path(f"/proc/{server.process.pid}/status").read_text("ascii")
    found = re.search(r"VmRSS:\s+(\d+) kB", status)
    assert found
    return int(found[1]) * 1024


def quantile(took: list[float], share: float) -> float:
    """The value that ``share`` of the others do not exceed."""
    return sorted(took)[min(len(took) - 1, int(len(took) * share))]
