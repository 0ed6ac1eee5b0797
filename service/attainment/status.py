"""Where a goal stands at a date: the rules that turn measured visits into an achievement status.

Codes: http://terminology.hl7.org/CodeSystem/goal-achievement. The status is computed from measurements only;
what a person stated is never an input and never overwritten. Rules, in order:

1. nothing measured: no status;
2. visits with enough scored trials move the criterion (``criterion.progress``);
3. criterion met: ``sustaining`` if the goal is active and a later visit counts, else ``achieved``;
4. never met, and past due or closed: ``no-progress`` if the change since baseline is below one step, else
   ``not-achieved`` (a goal on hold, or without a due date, is not past due);
5. fewer than 3 values: ``in-progress``;
6. the last 3 values and the change since baseline (after a regression: the distance to the target) decide
   ``improving``, ``worsening`` or ``no-change``. Direction only, not significance.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from fractions import Fraction
from typing import Literal

from service.attainment.criterion import CountedVisit, Progress, progress
from service.attainment.goals import Goal, Value
from service.attainment.trend import kendall_s

__all__ = [
    "ENGINE_VERSION",
    "MIN_TRIALS_OF_A_VALUE",
    "Direction",
    "LeftOut",
    "Status",
    "StatusCode",
    "status",
]

ENGINE_VERSION = "1.2.0"
"""Version of the rules and formulas; it goes with every computed result."""

MIN_TRIALS_OF_A_VALUE = 3
"""Scored trials below which a visit's result is not a value at all."""

StatusCode = Literal[
    "in-progress",
    "improving",
    "worsening",
    "no-change",
    "achieved",
    "sustaining",
    "no-progress",
    "not-achieved",
]


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A value that did not count, and why."""

    day: date
    measure: str
    why: str


@dataclass(frozen=True, slots=True)
class Direction:
    """The inputs of rule 6, oriented so that more is better.

    ``s`` is Kendall's S of the last three values, ``change`` last less first of them, ``since`` last less
    baseline (or target, after a regression: ``since_what``).
    """

    s: int
    change: Fraction
    since: Fraction
    since_what: Literal["baseline", "target"]


@dataclass(frozen=True, slots=True)
class Status:
    """The computed status and everything it rests on.

    ``code`` is None with rule 1 ('not yet measured'). ``baseline_recorded`` tells a recorded baseline from
    the first value. ``values`` are those of the first target that counted. ``goal`` and ``as_of`` are the
    inputs, kept.
    """

    code: StatusCode | None
    rule: int
    reason: str
    goal: Goal
    as_of: date
    progress: Progress
    baseline: Value | None
    baseline_recorded: bool
    latest: Value | None
    values: tuple[Value, ...]
    direction: Direction | None
    left_out: tuple[LeftOut, ...]
    engine: str = ENGINE_VERSION


@dataclass(frozen=True, slots=True)
class _Case:
    goal: Goal
    as_of: date
    values: tuple[Value, ...]
    baseline: Value | None
    steps: Progress
    direction: Direction | None


def status(goal: Goal, series: Sequence[Sequence[Value]], as_of: date) -> Status:
    """Apply the rules at ``as_of`` to one series of values per target (same order as the targets).

    Later values are not seen. Values may come in any order; a second one of the same day does not count.
    """
    kept, left_out = _in_window(goal, series, as_of)
    values = tuple(kept[0].values()) if kept else ()
    steps = progress(_counted(goal, kept, left_out), goal.criterion)
    recorded = goal.baseline is not None and goal.baseline.day <= as_of
    baseline = goal.baseline if recorded else values[0] if values else None
    direction = _direction(goal, values, baseline, steps)
    code, rule, reason = _decide(_Case(goal, as_of, values, baseline, steps, direction))
    return Status(
        code=code,
        rule=rule,
        reason=reason,
        goal=goal,
        as_of=as_of,
        progress=steps,
        baseline=baseline,
        baseline_recorded=recorded,
        latest=values[-1] if values else None,
        values=values,
        direction=direction,
        left_out=tuple(left_out),
    )


def _in_window(
    goal: Goal, series: Sequence[Sequence[Value]], as_of: date
) -> tuple[list[dict[date, Value]], list[LeftOut]]:
    """Per target the values that are values, by day in time order, and why others are not."""
    kept: list[dict[date, Value]] = []
    left_out: list[LeftOut] = []
    for target, values in zip(goal.targets, series, strict=True):
        days: dict[date, Value] = {}
        for value in sorted((value for value in values if value.day <= as_of), key=lambda value: value.day):
            if why := _why_no_value(goal, value, days):
                left_out.append(LeftOut(value.day, target.measure, why))
            else:
                days[value.day] = value
        kept.append(days)
    return kept, left_out


def _why_no_value(goal: Goal, value: Value, days: dict[date, Value]) -> str:
    if goal.start is not None and value.day < goal.start:
        return "before the goal's start"
    if value.n is not None and value.n < MIN_TRIALS_OF_A_VALUE:
        return f"fewer than {MIN_TRIALS_OF_A_VALUE} scored trials"
    return "second result of the day" if value.day in days else ""


def _counted(goal: Goal, kept: Sequence[dict[date, Value]], left_out: list[LeftOut]) -> list[CountedVisit]:
    """Days on which every target was measured with enough trials; other days change no run."""
    counted = []
    for day in sorted({day for days in kept for day in days}):
        found = [days.get(day) for days in kept]
        short = [
            LeftOut(day, target.measure, _why_short(goal, value))
            for target, value in zip(goal.targets, found, strict=True)
            if _why_short(goal, value)
        ]
        left_out.extend(short)
        if not short:
            k, n = (found[0].k, found[0].n) if found[0] else (None, None)
            counted.append(CountedVisit(day, goal.met_by(found), k, n))
    return counted


def _why_short(goal: Goal, value: Value | None) -> str:
    if value is None:
        return "not measured at this visit: the visit does not count for the criterion"
    if value.n is not None and value.n < goal.criterion.min_trials:
        needed = goal.criterion.min_trials
        return f"fewer than {needed} scored trials: the visit does not count for the criterion"
    if goal.criterion.without_cues and value.n is not None and value.without_cues is None:
        return "cue level not recorded: the visit does not count for the criterion"
    return ""


def _direction(
    goal: Goal, values: Sequence[Value], baseline: Value | None, steps: Progress
) -> Direction | None:
    if len(values) < 3 or baseline is None:
        return None
    target = goal.targets[0]
    last_three = [target.oriented(value.value) for value in values[-3:]]
    regressed = steps.regressed is not None and not steps.met
    origin = target.value if regressed else baseline.value
    return Direction(
        s=kendall_s(last_three),
        change=last_three[-1] - last_three[0],
        since=last_three[-1] - target.oriented(origin),
        since_what="target" if regressed else "baseline",
    )


def _decide(case: _Case) -> tuple[StatusCode | None, int, str]:
    """Rules 1 and 3 to 6; rule 2 is in ``steps``."""
    if not case.values or case.baseline is None:
        return None, 1, "not yet measured"
    if case.steps.met:
        return _met(case.goal, case.steps)
    if case.steps.attained is None and (closing := _closing(case.goal, case.as_of)):
        return _never_met(case.goal, case.values[-1], case.baseline, closing)
    if case.direction is None:
        return "in-progress", 5, "fewer than 3 measurements"
    return _moving(case.goal, case.steps, case.direction)


def _met(goal: Goal, steps: Progress) -> tuple[StatusCode, int, str]:
    reason = f"criterion met {steps.attained}; {steps.later} later visit(s)"
    if goal.lifecycle == "active" and steps.later:
        return "sustaining", 3, reason
    return "achieved", 3, reason


def _closing(goal: Goal, as_of: date) -> str:
    """Why the goal's time is over; empty while it is not. On hold, the due date does not count."""
    if goal.lifecycle in ("completed", "cancelled"):
        return f"goal {goal.lifecycle}"
    if goal.due is not None and as_of > goal.due and goal.lifecycle != "on-hold":
        return f"due {goal.due} has passed"
    return ""


def _never_met(goal: Goal, latest: Value, baseline: Value, closing: str) -> tuple[StatusCode, int, str]:
    target = goal.targets[0]
    change = target.oriented(latest.value) - target.oriented(baseline.value)
    code: StatusCode = "no-progress" if change < goal.step else "not-achieved"
    return code, 4, f"{closing}; change since baseline {_signed(change)}"


def _moving(goal: Goal, steps: Progress, direction: Direction) -> tuple[StatusCode, int, str]:
    reason = (
        f"last 3: S={direction.s:+d}, change {_signed(direction.change)}; "
        f"since {direction.since_what} {_signed(direction.since)}"
    )
    if steps.regressed is not None:
        reason += f"; regressed {steps.regressed}"
    if direction.s > 0 and max(direction.change, direction.since) >= goal.step:
        return "improving", 6, reason
    if direction.s < 0 and min(direction.change, direction.since) <= -goal.step:
        return "worsening", 6, reason
    return "no-change", 6, reason


def _signed(value: Fraction) -> str:
    return f"{float(value):+.3g}"
