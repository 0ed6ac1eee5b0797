"""Taking in visit records and transaction Bundles, against writing the same rows with bare ``sqlite3``."""

import time
from collections import deque
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


async def transactions(folder: Path, people: int) -> Row:
    """First visits as transaction Bundles, each of a person who is not on file yet."""
    took: list[float] = []
    floor: list[float] = []
    async with bench(folder / "bundles") as place:
        dry = [await place.accept(upload, dry_run=True) for upload in uploads(people)[::VISITS]]
        bodies = [dump(receipt.bundle or {}) for receipt in dry]
        bare = BareStore(folder / "bundles-floor.sqlite")
        for body in bodies:
            before = last_sequence(place.database)
            begin = time.perf_counter()
            await process(place.store, body, context=place.context)
            took.append(time.perf_counter() - begin)
            rows = rows_after(place.database, before)
            begin = time.perf_counter()
            msgspec.json.decode(body)
            bare.write(rows)
            floor.append(time.perf_counter() - begin)
        bare.close()
    entries = median(len(msgspec.json.decode(body)["entry"]) for body in bodies)
    return Row(
        f"transaction Bundle of {entries:.0f} resources",
        "msgspec reads it, bare sqlite3 writes the same rows",
        took[1:],
        floor[1:],
        BUNDLE_LIMIT,
        BUNDLE_RATE,
    )


async def _seconds(place: Bench, upload: Upload) -> float:
    begin = time.perf_counter()
    await place.accept(upload)
    return time.perf_counter() - begin


def _floor(bare: BareStore, upload: Upload, rows: StoredRows) -> float:
    begin = time.perf_counter()
    deque(yaml.parse(upload.parts[0].content, Loader=yaml.CSafeLoader), maxlen=0)
    bare.write(rows)
    return time.perf_counter() - begin
