"""What is on file about one patient as of a visit, in plain values; the rules compare a record with it."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime

__all__ = [
    "ClearanceOnFile",
    "GoalOnFile",
    "PlanLineOnFile",
    "PlanOnFile",
    "RecordContext",
    "ScreenOnFile",
    "VisitOnFile",
]


@dataclass(frozen=True, slots=True)
class ScreenOnFile:
    """The newest safety screen not after the visit: item key -> yes, no or unknown."""

    date: date
    items: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class ClearanceOnFile:
    """The newest clearance decision not after the visit."""

    date: date
    decision: str
    effort_limit: str | None = None


@dataclass(frozen=True, slots=True)
class PlanLineOnFile:
    """One exercise of a plan on file."""

    exercise: str
    daily_repetitions: int


@dataclass(frozen=True, slots=True)
class PlanOnFile:
    """A home plan given at an earlier visit, with the days for which it was in force, both inclusive."""

    start: date
    end: date | None
    lines: tuple[PlanLineOnFile, ...]
    cleared_levels: tuple[int, ...] | None = None

    def covers(self, day: date) -> bool:
        """Was the plan in force on ``day``?"""
        return self.start <= day and (self.end is None or day <= self.end)


@dataclass(frozen=True, slots=True)
class GoalOnFile:
    """A goal set at an earlier visit."""

    key: str
    lifecycle_status: str
    has_baseline: bool = False


@dataclass(frozen=True, slots=True)
class VisitOnFile:
    """Another visit of the patient: the value of its record's identifier, and when it began."""

    record: str
    start: datetime


@dataclass(frozen=True, slots=True)
class RecordContext:
    """What is on file for the patient of one record, as of that record's visit.

    Nothing that stems from the record itself is in here, so that a correction is judged like a first arrival,
    but ``signature``: how the record on file was signed (preliminary, final, amended; sent: final without
    saying so), empty if it is not on file.
    ``plans`` are in time order, the newest last. ``visits_planned`` is how many visits the episode is to
    have, if somebody said so.
    """

    patient_known: bool = False
    birth_date: date | None = None
    episode_start: date | None = None
    has_conditions: bool = False
    has_research_consent: bool = False
    screen: ScreenOnFile | None = None
    clearance: ClearanceOnFile | None = None
    plans: tuple[PlanOnFile, ...] = ()
    goals: Mapping[str, GoalOnFile] = field(default_factory=dict)
    visits: tuple[VisitOnFile, ...] = ()
    visits_planned: int | None = None
    signature: str = ""
