"""Why a goal has its computed status, and how it moves, in sentences made from the answer's own numbers."""

from collections.abc import Sequence
from fractions import Fraction
from math import ceil

from service.attainment.answers import GoalAnswer
from service.attainment.goals import Value
from service.attainment.reliable_change import ReliableChange
from service.attainment.status import Status
from service.attainment.trend import Trend
from service.page import words
from service.page.view_model import Measure, Reading

__all__ = ["UNITS", "last_change_words", "luck_words", "reliable_words", "target_words", "trend_words", "why"]

UNITS = {"%": "points", "level": "levels", "group": "groups", "points": "points", "s": "s", "": ""}
"""What a difference of values is counted in, by the unit of the values."""


def why(goal: GoalAnswer, measure: Measure) -> str:
    """Tell the rule that gave the status."""
    found = goal.status
    match found.rule:
        case 1:
            return "nothing has been measured yet"
        case 3:
            return _met(found)
        case 4:
            return f"the criterion was never met and {found.reason}"
        case 5:
            return "fewer than 3 results so far"
        case _:
            return _moving(found, measure)


def _met(found: Status) -> str:
    run = found.progress.run
    if run is None:
        return "the criterion is met"
    days = words.day(run.end) if run.start == run.end else f"{words.day(run.start)} to {words.day(run.end)}"
    pooled = ""
    if run.k is not None and run.interval is not None:
        low, high = 100 * run.interval.low, 100 * run.interval.high
        pooled = f", together {run.k} of {run.n} trials, 95 % interval {low:.0f} % to {high:.0f} %"
    later = found.progress.later
    after = f"; {later} later {'visit counts' if later == 1 else 'visits count'}" if later else ""
    return f"the criterion was met by the run of {days}{pooled}{after}"


def _moving(found: Status, measure: Measure) -> str:
    seen = found.direction
    if seen is None:
        return found.reason
    unit = UNITS[measure.unit]
    return (
        f"over the last 3 results {_change(seen.change, unit)} (S {words.signed(seen.s)}), "
        f"{_change(seen.since, unit)} than the {seen.since_what}; "
        f"a change counts from {float(found.goal.step):g} {unit}".rstrip()
    )


def _change(oriented: Fraction, unit: str) -> str:
    """A change turned so that more is better."""
    if oriented == 0:
        return "neither better nor worse"
    return f"{float(abs(oriented)):.3g} {unit} {'better' if oriented > 0 else 'worse'}".replace("  ", " ")


def trend_words(found: Trend, measure: Measure) -> str:
    """The slope where it says something; the direction alone for levels, which have no slope."""
    if found.n < 2:
        return ""
    if measure.kind == "levels":
        return f"rising less falling pairs {found.s:+d} over {found.n} results"
    if not found.show_slope or found.slope_per_week is None:
        return "too few results for a slope" if found.n < 4 else f"{found.n} results, all alike"
    slope = words.signed(found.slope_per_week, UNITS[measure.unit])
    return f"{slope} a week over {found.n} results (median slope)"


def last_change_words(readings: Sequence[Reading], measure: Measure) -> str:
    """The newest result against the one before it; a level is named, never subtracted."""
    measured = [(one.day, one.value) for one in readings if one.value is not None]
    if len(measured) < 2:
        return ""
    (before_day, before), (_, now) = measured[-2:]
    since = f"since {words.day(before_day)}"
    if now == before:
        return f"none {since}"
    if measure.kind == "levels":
        return f"{words.value(measure, before)} to {words.value(measure, now)} {since}"
    return f"{float(now - before):+.3g} {UNITS[measure.unit]}".rstrip().replace("-", "−") + f" {since}"


def luck_words(goal: GoalAnswer) -> str:
    """How often somebody one step below the target meets the criterion all the same."""
    found = goal.luck
    if found is None:
        return ""
    within = "1 visit" if found.visits == 1 else f"{found.visits} visits"
    return (
        f"somebody whose true rate is {float(100 * found.rate):.0f} % meets this criterion within {within} "
        f"{float(100 * found.within):.0f} times in 100"
    )


def reliable_words(
    found: ReliableChange | None, first: Value | None, last: Value | None, measure: Measure
) -> str:
    """Whether a score moved by more than it does by itself; nothing is made up where nothing is published."""
    if found is None or first is None or last is None:
        return ""
    if found.threshold is None:
        return found.reason
    moved = last.value - first.value
    better = moved > 0 if measure.better == "higher" else moved < 0
    kind = "a reliable improvement" if better else "a reliable worsening"
    judged = kind if found.reliable else "not more than the score varies by itself"
    least = f"{ceil(found.threshold)} or more is reliable{', approximately' if found.approximate else ''}"
    return f"{words.signed(moved, 'points')}, {judged} ({least})"


def target_words(goal: GoalAnswer, measures: list[Measure]) -> str:
    """``80 % or more``; several targets are joined, each further one by name."""
    parts: list[str] = []
    for target, measure in zip(goal.status.goal.targets, measures, strict=True):
        wanted = words.value(measure, target.value).removeprefix("+")
        side = ("above" if target.higher_is_better else "below") if target.strict else ""
        more = _or_more(measure, higher=target.higher_is_better)
        text = f"{side} {wanted}" if side else f"{wanted} {more}"
        text += " either way" if target.absolute else ""
        parts.append(text if not parts else f"{measure.name.lower()} {text}")
    return " and ".join(parts) or "no target that can be computed"


def _or_more(measure: Measure, *, higher: bool) -> str:
    if measure.unit == "group":
        return "or better"
    if measure.kind == "levels":
        return "or higher" if higher else "or lower"
    return "or more" if higher else "or less"
