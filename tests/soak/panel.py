"""Whether a panel of many people takes as long a person as one of few, in as little memory."""

import time
from contextlib import AsyncExitStack
from datetime import UTC, date, datetime
from pathlib import Path
from statistics import median

from service.attainment.cohort import Span
from service.operations.evaluate_measure import Asked, Evaluated, evaluate
from tests.bench.measure import Row, Size
from tests.bench.people import Bench, bench
from tests.soak.people import fill_people

__all__ = ["panel"]

VISITS = 2
"""Visits of each person: enough for every kind of number, few enough to write ten thousand people."""
SPAN = Span(date(2026, 1, 1), date(2026, 12, 31))
LINEAR = 1.2
MOST_MB = 20


async def panel(folder: Path, few: int, many: int, rounds: int = 3) -> tuple[list[Row], list[Size]]:
    """A person's share of evaluating ``many`` people against that of ``few``, and what memory it takes."""
    async with AsyncExitStack() as stack:
        little = await stack.enter_async_context(bench(folder / "few"))
        much = await stack.enter_async_context(bench(folder / "many"))
        await fill_people(little, few, VISITS)
        await fill_people(much, many, VISITS)
        await _a_person(little, few)
        before = _memory()
        measured, floor = [], []
        for _ in range(rounds):
            measured.append(await _a_person(much, many))
            floor += [await _a_person(little, few) for _ in range(max(1, many // few // 4))]
        gained = (_memory() - before) / 1e6
    name = f"a person of a panel of {many:,}, {VISITS} visits each, by processor time"
    return [Row(name, f"the same of a panel of {few:,}", measured, floor, limit=LINEAR)], [
        Size(f"evaluating a panel of {many:,} people, by processor time", many * median(measured), "s"),
        Size("memory gained by it", gained, "MB", most=MOST_MB),
    ]


async def _a_person(place: Bench, people: int) -> float:
    """Seconds of processor time, which other programs disturb least."""
    found = Evaluated()
    begin = time.process_time()
    today = datetime.now(UTC).date()
    await evaluate(place.store, Asked(SPAN, "summary"), found, today=today, zone=place.settings.zone)
    assert found.cohort.people == people
    return (time.process_time() - begin) / people


def _memory() -> int:
    """Bytes of this process in memory."""
    pages = int(Path("/proc/self/statm").read_text("ascii").split()[1])
    return pages * 4096
