"""Everything known of one person that goal attainment rests on, as plain values."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date

from service.attainment.dose import PracticeDay
from service.attainment.goals import Goal, Value
from service.attainment.study import Study
from service.attainment.trials import Block

__all__ = [
    "CareFacts",
    "Ending",
    "ExcludedVisit",
    "Exertion",
    "GoalOnFile",
    "Noted",
    "PatientInputs",
    "Plan",
    "PracticeLog",
    "ScalingLevel",
    "ScalingPlan",
    "Statement",
]


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
class Noted:
    """Something noted on a day in words (codes, or what the clinic calls them), empty where none applied."""

    day: date
    words: tuple[str, ...] = ()
    evidence: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Exertion:
    """The longest hold (seconds) and strongest effort (light, medium, strong) of a day's trials."""

    day: date
    hold: Value | None = None
    effort: Noted | None = None


@dataclass(frozen=True, slots=True)
class Ending:
    """An episode of care that ended on a day, and why: ``died``, ``medical-change`` or another code.

    Death and a medical change end the chance to attain a goal; after others a person is not seen any more.
    """

    day: date
    reason: str
    evidence: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Plan:
    """A home plan in force from ``start`` until the next one starts; ``status`` is what its own record says.

    ``end`` and ``review`` are the days it names.
    """

    reference: str
    start: date
    status: str = "active"
    end: date | None = None
    review: date | None = None


@dataclass(frozen=True, slots=True)
class CareFacts:
    """What stands on file beside the numbers, each series in time order.

    ``visits`` are days on which a visit took place. ``diet`` are drink and food levels (IDDSI) by what they
    are for, ``pneumonia`` counts since the visit before. ``red_flags`` has an
    entry for every answered checklist, ``effort_limits`` for every clearance, ``screens`` for every screen.
    ``symptoms`` came with practice. ``training_began`` is the first day with more than a probe. Of a death
    whose day is not on file ``endings`` has the newest day of anything on file.
    """

    visits: tuple[date, ...] = ()
    diet: Mapping[str, tuple[Value, ...]] = field(default_factory=dict)
    pneumonia: tuple[Value, ...] = ()
    red_flags: tuple[Noted, ...] = ()
    effort_limits: tuple[Noted, ...] = ()
    screens: tuple[Noted, ...] = ()
    symptoms: tuple[Noted, ...] = ()
    exertions: tuple[Exertion, ...] = ()
    plans: tuple[Plan, ...] = ()
    training_began: date | None = None
    endings: tuple[Ending, ...] = ()


@dataclass(frozen=True, slots=True)
class ExcludedVisit:
    """A visit a clinician excluded, why, and the values that therefore count nowhere."""

    reference: str
    day: date
    reason: str = ""
    evidence: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class PatientInputs:
    """One person. ``scores`` are what was recorded as such, by measure code, in time order.

    They are the oral intake level, the EAT-10 total and the body weight (kg).
    """

    goals: tuple[GoalOnFile, ...] = ()
    blocks: tuple[Block, ...] = ()
    studies: tuple[Study, ...] = ()
    scores: Mapping[str, tuple[Value, ...]] = field(default_factory=dict)
    logs: tuple[PracticeLog, ...] = ()
    care: CareFacts = field(default_factory=CareFacts)
    excluded: tuple[ExcludedVisit, ...] = ()
