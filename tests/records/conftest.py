"""Visit records to start from, and what earlier ones left on file."""

from collections.abc import Callable, Iterable
from copy import deepcopy
from datetime import UTC, datetime
from typing import Any

import pytest

from service.records.context import (
    ClearanceOnFile,
    GoalOnFile,
    PlanLineOnFile,
    PlanOnFile,
    RecordContext,
    ScreenOnFile,
    VisitOnFile,
)
from service.records.reading import Document, read_record
from service.records.rules import Checked, check
from service.records.visit import VisitRecord
from service.settings import Settings
from service.shipped import shipped

NOW = datetime(2026, 11, 20, 12, tzinfo=UTC)


def _example(name: str) -> Document:
    return read_record(shipped("examples", "visits", f"{name}.yaml").read_bytes(), "yaml")


def _judge(document: Document, context: RecordContext, *, now: datetime = NOW) -> Checked:
    return check(document, context, now=now, settings=Settings())


def _on_file(records: Iterable[VisitRecord]) -> RecordContext:
    """What is on file after ``records``, which are in time order."""
    known: dict[str, Any] = {"plans": (), "goals": {}, "visits": ()}
    for record in records:
        known |= {"patient_known": True, "has_conditions": True, "episode_start": record.visit.episode_start}
        known["visits"] += (VisitOnFile(record.record.value, record.visit.start),)
        known["goals"] |= {
            goal.key: GoalOnFile(goal.key, goal.lifecycle_status, goal.baseline is not None)
            for goal in record.goals
        }
        if record.person is not None:
            known["birth_date"] = record.person.birth_date
        if record.research_consent is not None:
            known["has_research_consent"] = True
        if record.safety_screen is not None:
            known["screen"] = ScreenOnFile(record.safety_screen.date, record.safety_screen.items)
        if (clearance := record.clearance) is not None:
            known["clearance"] = ClearanceOnFile(clearance.date, clearance.decision, clearance.effort_limit)
        if (plan := record.home_plan) is not None:
            lines = tuple(PlanLineOnFile(line.exercise, line.daily_repetitions) for line in plan.lines)
            known["plans"] += (PlanOnFile(plan.start, plan.end, lines),)
    return RecordContext(**known)


@pytest.fixture
def example() -> Callable[[str], Document]:
    """An example visit by its file's name, a fresh copy."""
    return lambda name: deepcopy(_example(name))


@pytest.fixture
def judge() -> Callable[..., Checked]:
    """Check a document against a context."""
    return _judge


@pytest.fixture
def on_file() -> Callable[[Iterable[VisitRecord]], RecordContext]:
    """The context that earlier records leave."""
    return _on_file


@pytest.fixture(scope="session")
def chronicle() -> dict[str, list[tuple[str, RecordContext, Checked]]]:
    """Per demo person: every example in time order with its context and what checking found."""
    people: dict[str, list[tuple[str, RecordContext, Checked]]] = {}
    paths = sorted(shipped("examples", "visits").glob("*.yaml"))
    dated = sorted((_example(path.stem).tree["visit"]["start"], path.stem) for path in paths)
    for _, name in dated:
        entries = people.setdefault(name[:7], [])
        context = _on_file(checked.record for _, _, checked in entries if checked.record is not None)
        entries.append((name, context, _judge(_example(name), context)))
    return people
