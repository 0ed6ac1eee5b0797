"""A panel of many people: whether a person takes as long as in one of few, in as little memory, and whether
its report tells what the people's own answers tell.
"""

import json
import time
from collections.abc import AsyncIterator
from contextlib import AsyncExitStack
from datetime import UTC, date, datetime
from pathlib import Path
from statistics import median

from service.attainment.cohort import Span
from service.fhir.json import Tree
from service.operations.evaluate_measure import Asked, Evaluated, evaluate, evaluate_measure
from service.operations.goal_attainment import goal_attainment
from service.store.contract import Query
from service.store.pages import every
from service.terminology.codes import codes
from tests.bench.measure import Row, Size
from tests.bench.people import Bench, bench
from tests.soak.one_by_one import Numbers, Told, expected, reported, told
from tests.soak.people import COURSES, fill_people

__all__ = ["SPAN", "differing", "panel", "people_of", "report_of"]

SPAN = Span(date(2026, 3, 1), date(2026, 12, 31))
LINEAR = 1.2
MOST_MB = 20
_LAST_PLACE = 0.51e-6
"""Shares are told to six places."""


async def panel(folder: Path, few: int, many: int, rounds: int = 3) -> tuple[list[Row], list[Size]]:
    """A person's share of evaluating ``many`` people against that of ``few``, its memory, and its numbers."""
    async with AsyncExitStack() as stack:
        little = await stack.enter_async_context(bench(folder / "few"))
        much = await stack.enter_async_context(bench(folder / "many"))
        await fill_people(little, few)
        await fill_people(much, many)
        await _a_person(little, few)
        before = _memory()
        measured, floor = [], []
        for _ in range(rounds):
            measured.append(await _a_person(much, many))
            floor += [await _a_person(little, few) for _ in range(max(1, many // few // 4))]
        gained = (_memory() - before) / 1e6
        compared = await _compared(much, many)
    visits = sum(len(visits) for _, visits in COURSES) / len(COURSES)
    name = f"a person of a panel of {many:,}, {visits:g} visits each, by processor time"
    return [Row(name, f"the same of a panel of {few:,}", measured, floor, limit=LINEAR)], [
        Size(f"evaluating a panel of {many:,} people, by processor time", many * median(measured), "s"),
        Size("memory gained by it", gained, "MB", most=MOST_MB),
        *compared,
    ]


async def _compared(place: Bench, people: int) -> list[Size]:
    begin = time.process_time()
    report = await report_of(place)
    found = expected([one async for one in people_of(place)])
    took = time.process_time() - begin
    name = f"the report of {people:,} people and their answers one by one"
    return [
        Size(f"numbers in {name}", len(found), ""),
        Size(
            f"of them, numbers that differ between {name}",
            len(differing(reported(report), found)),
            "",
            most=0,
        ),
        Size(f"making {name}, by processor time", took, "s"),
    ]


async def report_of(place: Bench) -> Tree:
    """The MeasureReport of everybody, as a caller gets it."""
    period = {"periodStart": [SPAN.start.isoformat()], "periodEnd": [SPAN.end.isoformat()]}
    tree: Tree = json.loads(
        await evaluate_measure(
            place.store, "goal-attainment", period, seconds=1e6, context=place.context, codes=codes("all")
        )
    )
    return tree


async def people_of(place: Bench) -> AsyncIterator[Told]:
    """What ``$goal-attainment`` tells of everybody's goals at the end of the period, person by person."""
    as_of = min(SPAN.end, datetime.now(UTC).date())
    async for person in every(place.store, Query("Patient", count=200, total="none")):
        answer = json.loads(
            await goal_attainment(place.store, person.id, as_of, context=place.context, codes=codes("all"))
        )
        for one in told(answer, await _starts(place, answer), SPAN.start):
            yield one


async def _starts(place: Bench, answer: Tree) -> dict[str, date]:
    """On which day each goal that an answer names began."""
    goals = [
        one["part"][0]["valueReference"]["reference"] for one in answer["parameter"] if one["name"] == "goal"
    ]
    found = {}
    for reference in goals:
        version = await place.store.read(*reference.split("/"))
        assert version is not None
        found[reference] = date.fromisoformat(json.loads(version.content)["startDate"])
    return found


def differing(one: Numbers, other: Numbers) -> list[tuple[str, ...]]:
    """What only one of them tells, or both tell otherwise."""
    return [
        what
        for what in sorted({*one, *other})
        if what not in one or what not in other or abs(one[what] - other[what]) > _LAST_PLACE
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
