"""What the page shows, as plain values: templates and charts read these and nothing else.

Numbers are the computed answer's own, unrounded; ``words.py`` rounds for the eye. A ``None`` always means
"not measured" or "not stated" and is shown in those words.
"""

from dataclasses import dataclass
from datetime import date
from fractions import Fraction
from typing import Literal

__all__ = [
    "Banner",
    "Count",
    "GoalView",
    "Measure",
    "Practice",
    "Reading",
]


@dataclass(frozen=True, slots=True)
class Measure:
    """One measured thing and its scale: ``unit`` as written after a value, ``low``-``high`` the axis.

    ``kind`` decides the drawing: a share or score is a run chart, levels are a step plot on an integer grid.
    ``better`` is the wanted direction, empty where there is none.
    """

    code: str
    name: str
    unit: str
    low: float
    high: float
    step: float
    kind: Literal["share", "score", "levels"] = "score"
    better: Literal["higher", "lower", "nearer 0", ""] = "higher"


@dataclass(frozen=True, slots=True)
class Count:
    """``k`` of ``n`` scored trials."""

    k: int
    n: int


@dataclass(frozen=True, slots=True)
class Reading:
    """One visit's result for one goal.

    ``value``, ``low`` and ``high`` (95 % interval) are in the measure's unit. ``counts`` is false for a visit
    that neither extends nor breaks a run, such as one with too few scored trials. ``left_out`` says in words
    what was not scored and why; ``agreement`` and ``after`` (the block after training) stand beside the
    result and are no part of it.
    """

    day: date
    value: Fraction | None = None
    trials: Count | None = None
    low: float | None = None
    high: float | None = None
    at_target: bool = False
    counts: bool = True
    left_out: str = ""
    agreement: Count | None = None
    after: Count | None = None


@dataclass(frozen=True, slots=True)
class Practice:
    """Home practice since the visit before: shares 0-1, of logged days and with unlogged days as zero.

    ``logged_days`` of ``days`` prescribed ones are what the shares rest on.
    """

    start: date
    end: date
    of_logged: Fraction | None
    unlogged_as_zero: Fraction | None
    logged_days: int
    days: int
    returned: bool = True


@dataclass(frozen=True, slots=True)
class GoalView:
    """One goal as of a day: where it started, where it stands, how sure that is and what is next.

    ``needed`` visits at target in a row meet it (``of``: among so many in a row; ``weeks``: in at least so
    many calendar weeks), ``run`` is how many there are now. ``met`` is the present state; ``attained``,
    ``met_run`` and ``regressed`` are the days of the newest run and of its loss. ``problems`` says what could
    not be computed. ``phases`` are the days on which a phase changed, each with its words; ``last_change``
    tells the newest result against the one before, ``cue_level`` the help its trials had. ``working`` is how
    the status came about, name by name; ``left_out`` what did not count and why; ``evidence`` the resources
    behind it.
    """

    id: str
    description: str
    measure: Measure
    target: Fraction | None
    target_words: str
    needed: int = 1
    of: int = 0
    weeks: int = 1
    without_cues: bool = False
    run: int = 0
    met: bool = False
    baseline: Reading | None = None
    latest: Reading | None = None
    readings: tuple[Reading, ...] = ()
    due: date | None = None
    days_left: int | None = None
    computed: str = ""
    stated: str = ""
    lifecycle: str = ""
    stated_reason: str = ""
    rule: str = ""
    why: str = ""
    attained: date | None = None
    met_run: tuple[date, date] | None = None
    regressed: date | None = None
    held_since: date | None = None
    trend: str = ""
    practice: Practice | None = None
    luck: str = ""
    reliable_change: str = ""
    problems: tuple[str, ...] = ()
    phases: tuple[tuple[date, str], ...] = ()
    last_change: str = ""
    cue_level: str = ""
    working: tuple[tuple[str, str], ...] = ()
    left_out: tuple[str, ...] = ()
    evidence: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Banner:
    """Who this is and what to know before reading further. Red flags are those of the last visit.

    ``screen`` says what the newest safety screen marked, empty without one.
    """

    name: str
    born: str = ""
    age: int | None = None
    conditions: tuple[str, ...] = ()
    clearance: str = ""
    effort_limit: str = ""
    screen: str = ""
    red_flags: tuple[str, ...] | None = None
    oral_intake: int | None = None
    oral_intake_day: date | None = None
    diet: str = ""
    last_visit: date | None = None
    days_since_visit: int | None = None
    invented: bool = False
