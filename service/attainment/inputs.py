"""Everything known of one person that goal attainment rests on, as plain values."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date

from service.attainment.airway import Bolus
from service.attainment.dose import PracticeDay
from service.attainment.goals import Goal, Value
from service.attainment.trials import Block

__all__ = ["GoalOnFile", "PatientInputs", "PracticeLog", "ScalingLevel", "ScalingPlan", "Statement"]


@dataclass(frozen=True, slots=True)
class Statement:
    """What a person stated of a goal on a day (None: at any date); an empty code says nothing."""

    day: date | None
    lifecycle: str = ""
    achievement: str = ""
    reason: str = ""


@dataclass(frozen=True, slots=True)
class ScalingLevel:
    """A scaling level (-2 to +2) stated on a day."""

    day: date
    level: int
    evidence: str = ""


@dataclass(frozen=True, slots=True)
class ScalingPlan:
    """A goal's scaling: its level at the start, its weight and the levels stated since."""

    baseline: int
    weight: int = 1
    levels: tuple[ScalingLevel, ...] = ()


@dataclass(frozen=True, slots=True)
class GoalOnFile:
    """A stored goal. ``goal.lifecycle`` is not read: the newest of ``statements`` (in time order) counts.

    ``problems`` says what of it can't be computed and why.
    """

    reference: str
    description: str
    goal: Goal
    statements: tuple[Statement, ...] = ()
    scaling: ScalingPlan | None = None
    problems: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class PracticeLog:
    """A practice log of the days ``start`` to ``end`` inclusive; ``days`` include those without a log.

    A log that was not returned has only days without one.
    """

    start: date
    end: date
    returned: bool
    days: tuple[PracticeDay, ...]
    evidence: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class PatientInputs:
    """One person. ``scores`` are measures recorded as such, by measure code (intake level, EAT-10 total)."""

    goals: tuple[GoalOnFile, ...] = ()
    blocks: tuple[Block, ...] = ()
    boluses: tuple[Bolus, ...] = ()
    scores: Mapping[str, tuple[Value, ...]] = field(default_factory=dict)
    logs: tuple[PracticeLog, ...] = ()
