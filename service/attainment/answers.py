"""The answer of goal attainment: every goal of one person as of a date, and what stands beside the goals.

The API's Parameters, the page, the command's table and the export are all made from it.
"""

from dataclasses import dataclass
from datetime import date

from service.attainment.detection import Detection
from service.attainment.dose import Adherence
from service.attainment.goals import Value
from service.attainment.inputs import PracticeLog
from service.attainment.intervals import Interval
from service.attainment.luck import Luck
from service.attainment.reliable_change import ReliableChange
from service.attainment.scaling import Scaling
from service.attainment.self_judgement import SelfJudgement
from service.attainment.status import ENGINE_VERSION, Status
from service.attainment.trend import Trend
from service.attainment.visits import VisitResult

__all__ = ["GoalAnswer", "PatientAnswer", "PracticeAnswer", "Reading", "Stated"]


@dataclass(frozen=True, slots=True)
class Reading:
    """One visit's result for a goal's first target, in the measure's unit.

    ``value`` None: not measured that day. ``at_target``: every target measured that day was met. ``counts``:
    enough trials, and every target measured, for the criterion.
    """

    day: date
    value: Value | None
    interval: Interval | None
    at_target: bool
    counts: bool
    why: str = ""


@dataclass(frozen=True, slots=True)
class Stated:
    """What people stated of a goal, as of the date; empty where nothing was."""

    lifecycle: str
    achievement: str
    day: date | None
    reason: str


@dataclass(frozen=True, slots=True)
class GoalAnswer:
    """One goal: computed status with its working, the stated one beside it.

    ``interval`` is the latest value's, in the measure's unit. ``evidence`` names every Observation behind the
    numbers. ``days_left`` is negative when overdue, None without a due date. ``problems`` says what could not
    be computed and why. ``luck`` is for a person one step below the target, ``reliable_change`` from the
    baseline to the latest value; None where the measure has none.
    """

    reference: str
    description: str
    measure: str
    status: Status
    stated: Stated
    interval: Interval | None
    readings: tuple[Reading, ...]
    trend: Trend
    trend_last_5: Trend
    days_left: int | None
    evidence: tuple[str, ...]
    problems: tuple[str, ...] = ()
    luck: Luck | None = None
    reliable_change: ReliableChange | None = None


@dataclass(frozen=True, slots=True)
class PracticeAnswer:
    """One practice log and what it says."""

    log: PracticeLog
    adherence: Adherence


@dataclass(frozen=True, slots=True)
class PatientAnswer:
    """One person as of a date. ``scaling`` is None, with ``scaling_problem``, when it can't be scored."""

    as_of: date
    goals: tuple[GoalAnswer, ...]
    visits: tuple[VisitResult, ...]
    own_pooled: SelfJudgement
    own_detection: Detection
    practice: tuple[PracticeAnswer, ...]
    practice_all: Adherence
    scaling: Scaling | None
    scaling_problem: str = ""
    engine: str = ENGINE_VERSION
