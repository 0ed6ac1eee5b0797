"""The answer of goal attainment: every goal of one person as of a date, and what stands beside the goals.

The API's Parameters, the page, the command's table and the export are all made from it.
"""

from dataclasses import dataclass
from datetime import date
from fractions import Fraction

from service.attainment.change import Apart, Paired
from service.attainment.cues import Cue
from service.attainment.detection import Detection
from service.attainment.dose import Adherence, CalendarDay, calendar
from service.attainment.goals import Value
from service.attainment.inputs import Ending, ExcludedVisit, PracticeLog
from service.attainment.intervals import Interval
from service.attainment.luck import Luck
from service.attainment.phases import Overlap, Phase
from service.attainment.reliable_change import ReliableChange
from service.attainment.scaling import Scaling
from service.attainment.self_judgement import SelfJudgement
from service.attainment.status import ENGINE_VERSION, Status
from service.attainment.studies import StudyResult
from service.attainment.trend import Trend
from service.attainment.visits import VisitResult

__all__ = [
    "Change",
    "GoalAnswer",
    "PatientAnswer",
    "PracticeAnswer",
    "Reading",
    "Review",
    "Score",
    "Stated",
]


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
class Change:
    """From the baseline to the latest value, ``difference`` in the measure's unit.

    For shares of trials: ``by_posture`` pairs the two probes where each posture occurs once in both, else
    ``apart`` compares them as separate trials; both None for other measures.
    """

    before: Value
    after: Value
    difference: Fraction
    by_posture: Paired | None = None
    apart: Apart | None = None


@dataclass(frozen=True, slots=True)
class GoalAnswer:
    """One goal: computed status with its working, the stated one beside it.

    ``interval`` is the latest value's, in the measure's unit. ``evidence`` names every Observation behind the
    numbers. ``days_left`` is negative when overdue, None without a due date. ``problems`` says what could not
    be computed and why. ``luck`` is for a person one step below the target. ``change`` and
    ``reliable_change`` are from the baseline to the latest value. ``overlap`` compares what was measured
    before training and plans began with what was measured after. None where the measure has none.
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
    change: Change | None = None
    overlap: Overlap | None = None


@dataclass(frozen=True, slots=True)
class PracticeAnswer:
    """One practice log and what it says."""

    log: PracticeLog
    adherence: Adherence

    @property
    def calendar(self) -> tuple[CalendarDay, ...]:
        """Its days, logged or not."""
        return calendar(self.log.days)


@dataclass(frozen=True, slots=True)
class Score:
    """A recorded score or the weight over time, whether or not a goal is about it; ``unit`` is UCUM.

    ``reliable_change`` is from the first value to the latest, None with fewer than two or for the weight.
    """

    measure: str
    unit: str
    values: tuple[Value, ...]
    reliable_change: ReliableChange | None = None


@dataclass(frozen=True, slots=True)
class Review:
    """The review day the newest plan names. ``held``: the person was seen on or after it.

    ``overdue``: it has passed and was not held.
    """

    day: date
    days_left: int
    held: bool
    overdue: bool
    evidence: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class PatientAnswer:
    """One person as of a date. ``scaling`` is None, with ``scaling_problem``, when it can't be scored.

    ``cues`` are reminders (their absence is not safety). ``excluded`` are visits whose values count nowhere.
    """

    as_of: date
    goals: tuple[GoalAnswer, ...]
    visits: tuple[VisitResult, ...]
    own_pooled: SelfJudgement
    own_detection: Detection
    practice: tuple[PracticeAnswer, ...]
    practice_all: Adherence
    scaling: Scaling | None
    scaling_problem: str = ""
    cues: tuple[Cue, ...] = ()
    studies: tuple[StudyResult, ...] = ()
    scores: tuple[Score, ...] = ()
    phases: tuple[Phase, ...] = ()
    review: Review | None = None
    excluded: tuple[ExcludedVisit, ...] = ()
    endings: tuple[Ending, ...] = ()
    engine: str = ENGINE_VERSION
