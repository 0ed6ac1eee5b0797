"""Taking in visit records and transaction Bundles, against writing the same rows with bare ``sqlite3``."""

import asyncio
import time
from collections import deque
from dataclasses import dataclass
from pathlib import Path
from statistics import mean, median

import msgspec
import yaml

from service.fhir.json import dump
from service.interactions.transaction import process
from service.operations.upload import Upload
from tests.bench.floor import BareStore, StoredRows, last_sequence, rows_after
from tests.bench.measure import Row
from tests.bench.people import VISITS, Bench, bench, uploads
from tests.bench.phases import PHASES, Phases

__all__ = ["BUNDLE_LIMIT", "BUNDLE_RATE", "Shares", "intake", "shares", "transactions"]

BUNDLE_LIMIT = 10
"""A write takes at most so many times its floor."""
BUNDLE_RATE = 90
"""Bundles a second, at least."""

CLIENTS = 4

Shares = dict[str, float]
"""Seconds per record and phase, in the order of the work."""


async def intake(folder: Path, people: int) -> list[Row]:
    """Every visit of ``people`` people taken in, each followed by its floor, then all of it once more."""
    new: list[float] = []
    floor: list[float] = []
    written: list[int] = []
    records = uploads(people)
    async with bench(folder / "intake") as place:
        bare = BareStore(folder / "intake-floor.sqlite")
        for upload in records:
            before = last_sequence(place.database)
            new.append(await _seconds(place, upload))
            rows = rows_after(place.database, before)
            written.append(len(rows.resource))
            floor.append(_floor(bare, upload, rows))
        bare.close()
        again = [await _seconds(place, upload) for upload in records]
    # The first person warms up caches and is not counted.
    new, floor, again, written = new[VISITS:], floor[VISITS:], again[VISITS:], written[VISITS:]
    what = f"one visit record (YAML), {mean(written):.0f} versions written"
    return [
        Row(
            f"intake of {what}",
            "libyaml reads it, bare sqlite3 writes the same rows",
            new,
            floor,
            BUNDLE_LIMIT,
        ),
        Row("intake of a record that changes nothing", "taking it in the first time", again, new),
    ]


async def shares(folder: Path, people: int) -> Shares:
    """Where the time goes: mean seconds of each phase for one record."""
    phases = Phases()
    records = uploads(people)
    async with bench(folder / "shares") as place:
        for upload in records[:VISITS]:
            await place.accept(upload)
        with phases.watching():
            for upload in records[VISITS:]:
                await place.accept(upload)
    return {phase: phases.spent[phase] / (len(records) - VISITS) for phase in PHASES}


async def transactions(folder: Path, people: int) -> list[Row]:
    """First visits as transaction Bundles, each of a person who is not on file yet.

    Sent by one client (wall and processor time), then by several at once, whose flushes to disk are shared.
    """
    async with bench(folder / "bundles") as place:
        dry = [await place.accept(upload, dry_run=True) for upload in uploads(people)[::VISITS]]
        bodies = [dump(receipt.bundle or {}) for receipt in dry]
        entries = median(len(msgspec.json.decode(body)["entry"]) for body in bodies)
        bare = BareStore(folder / "bundles-floor.sqlite")
        one = len(bodies) // 2
        alone = [await _sent(place, bare, [body]) for body in bodies[:one]]
        groups = [bodies[first : first + CLIENTS] for first in range(one, len(bodies) - CLIENTS + 1, CLIENTS)]
        together = [await _sent(place, bare, group) for group in groups]
        bare.close()
    what = f"transaction Bundle of {entries:.0f} resources"
    floor = "msgspec reads it, bare sqlite3 writes the same rows"
    return [
        _row(what, floor, alone[1:], "wall", limit=BUNDLE_LIMIT, rate=BUNDLE_RATE),
        _row("the same, processor time", floor, alone[1:], "processor"),
        _row(f"the same, {CLIENTS} clients at once", floor, together, "wall", rate=BUNDLE_RATE),
    ]


@dataclass(frozen=True, slots=True)
class _Took:
    """Seconds of one piece of work and of its floor."""

    wall: float
    processor: float
    floor_wall: float
    floor_processor: float


async def _sent(place: Bench, bare: BareStore, bodies: list[bytes]) -> _Took:
    """All of them at once, then the floor of each; seconds for one."""
    before = last_sequence(place.database)
    begin = time.perf_counter(), time.process_time()
    await asyncio.gather(*(process(place.store, body, context=place.context) for body in bodies))
    took = time.perf_counter() - begin[0], time.process_time() - begin[1]
    rows = rows_after(place.database, before)
    begin = time.perf_counter(), time.process_time()
    for body in bodies:
        msgspec.json.decode(body)
    bare.write(rows)
    floor = time.perf_counter() - begin[0], time.process_time() - begin[1]
    return _Took(*(seconds / len(bodies) for seconds in (*took, *floor)))


def _row(work: str, baseline: str, took: list[_Took], clock: str, **budget: float) -> Row:
    measured = [getattr(one, clock) for one in took]
    return Row(work, baseline, measured, [getattr(one, f"floor_{clock}") for one in took], **budget)


async def _seconds(place: Bench, upload: Upload) -> float:
    begin = time.perf_counter()
    await place.accept(upload)
    return time.perf_counter() - begin


def _floor(bare: BareStore, upload: Upload, rows: StoredRows) -> float:
    begin = time.perf_counter()
    deque(yaml.parse(upload.parts[0].content, Loader=yaml.CSafeLoader), maxlen=0)
    bare.write(rows)
    return time.perf_counter() - begin
