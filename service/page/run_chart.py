"""One run chart per goal.

Conventions (run chart: points joined in time order against a goal line on a real date axis): filled marker =
at or on the better side of the target, open marker = not; a visit with too few scored trials is a diamond
and counts neither way; whiskers are the 95 % interval; a visit without a result is marked "not measured" and
the line is not drawn across it, nor across a change of phase. Levels are steps on the lines of their names.
Nothing is told by colour alone, and all of it prints in grey.
"""

from collections.abc import Iterable, Sequence
from datetime import date
from fractions import Fraction

from service.page import words
from service.page.axes import Days, Values
from service.page.drawing import Box, Drawing, Line, Mark, Marker, Text, steps
from service.page.view_model import GoalView, Reading

__all__ = ["describe", "run_chart"]

WIDTH, HEIGHT = 620, 250
LEFT, RIGHT, TOP, BOTTOM = 52, 534, 58, 220
CAP = 4.5
COUNT, LINE = 28, 14
"""Width of a count, height of a line of words."""
PAST = 8
"""A phase begins after its day: its line stands this far to the right of that visit's point."""


def run_chart(goal: GoalView) -> Drawing:
    """Draw a goal with at least one visit."""
    days = Days.over([reading.day for reading in goal.readings], goal.due, LEFT, RIGHT)
    values = Values(goal.measure, BOTTOM, TOP)
    marks = [
        *_held(goal, days),
        *values.lines(LEFT, RIGHT),
        *days.labels((reading.day for reading in goal.readings), BOTTOM),
        *_events(goal, days),
        *_target(goal, days, values),
        *_measured(goal, days, values),
    ]
    return Drawing(f"{goal.description}: run chart", describe(goal), WIDTH, HEIGHT, tuple(marks))


def describe(goal: GoalView) -> str:
    """Tell the chart in words for those who do not see it: every visit, the target and what was met."""
    visits = "; ".join(
        f"{words.day(r.day)} {words.value(goal.measure, r.value)}"
        + (f" ({words.count(r.trials)})" if r.trials else "")
        for r in goal.readings
    )
    return f"{visits}. Target: {words.criterion(goal)}. {words.direction(goal.measure).capitalize()}."


def _measured(goal: GoalView, days: Days, values: Values) -> list[Mark]:
    """Whiskers, lines, markers with their numbers, and the visits without a result."""
    marks: list[Mark] = []
    for reading in goal.readings:
        if reading.low is not None and reading.high is not None:
            marks += _whisker(days(reading.day), values(reading.low), values(reading.high))
    for stretch in _stretches(goal):
        marks += _joined(goal, stretch, days, values)
    for reading in goal.readings:
        if reading.value is None:
            marks += _not_measured(days(reading.day))
    return marks


def _whisker(x: float, low: float, high: float) -> list[Mark]:
    ends = [Line("whisker", ((x - CAP, y), (x + CAP, y))) for y in (low, high)]
    return [Line("whisker", ((x, low), (x, high))), *ends]


def _stretches(goal: GoalView) -> Iterable[list[Reading]]:
    """Readings that may be joined: cut at every gap and at every change of phase."""
    stretch: list[Reading] = []
    for reading in goal.readings:
        changed = stretch and any(stretch[-1].day <= day < reading.day for day, _ in goal.phases)
        if (reading.value is None or changed) and stretch:
            yield stretch
            stretch = []
        if reading.value is not None:
            stretch.append(reading)
    if stretch:
        yield stretch


def _joined(goal: GoalView, stretch: Sequence[Reading], days: Days, values: Values) -> list[Mark]:
    points = [(days(one.day), values(float(one.value or 0))) for one in stretch]
    path = steps(points) if goal.measure.kind == "levels" else points
    marks: list[Mark] = [Line("run", path)] if len(points) > 1 else []
    for (x, y), reading in zip(points, stretch, strict=True):
        filled = "point met" if reading.counts and reading.at_target else "point"
        marks.append(Marker(filled, x, y, "circle" if reading.counts else "diamond"))
    for (x, y), reading, under in zip(points, stretch, _under(points), strict=True):
        marks.append(Text("count", x + 9, y + (16 if under else -7), _number(goal, reading)))
    return marks


def _number(goal: GoalView, reading: Reading) -> str:
    """What a point stands for, to be read where the axis is out of sight: ``4/5``, ``6``, ``73.8``."""
    if reading.trials:
        return f"{reading.trials.k}/{reading.trials.n}"
    if goal.measure.kind == "levels":
        return words.level(goal.measure, reading.value or 0)
    written = words.value(goal.measure, reading.value)
    return written if goal.measure.unit == "%" else written.removesuffix(f" {goal.measure.unit}")


def _under(points: Sequence[tuple[float, float]]) -> list[bool]:
    """Whether a count stands below its point: where the line rises, or where another count is in the way."""
    found: list[bool] = []
    for place, (x, y) in enumerate(points):
        rises = place + 1 < len(points) and points[place + 1][1] < y
        before_x, before_y = points[place - 1] if place else (x - COUNT, y)
        met = x - before_x < COUNT and abs(y - before_y) < LINE and not found[-1]
        found.append(rises or met)
    return found


def _not_measured(x: float) -> list[Mark]:
    return [
        Marker("gap", x, BOTTOM - 10, "cross"),
        Text("note", x + 4.5, BOTTOM - 22, "not measured", upright=True),
    ]


def _target(goal: GoalView, days: Days, values: Values) -> list[Mark]:
    """The goal line with its label, and the bracket over the visits that met the criterion."""
    marks: list[Mark] = []
    for target in _goal_lines(goal):
        y = values(float(target))
        marks.append(Line("goal", ((LEFT, y), (RIGHT, y))))
        marks.append(Text("goal-label", RIGHT + 5, y + 4.5, _goal_words(goal, target)))
    if goal.met_run is not None:
        marks += _bracket(days(goal.met_run[0]), days(goal.met_run[1]))
    return marks


def _goal_words(goal: GoalView, target: Fraction) -> str:
    wanted = words.value(goal.measure, target).removesuffix(" points")
    return f"goal {wanted.removeprefix('level ').removeprefix('group ')}"


def _goal_lines(goal: GoalView) -> list[Fraction]:
    """The target; on both sides where nearer 0 is better."""
    if goal.target is None:
        return []
    return [goal.target, -goal.target] if goal.measure.better == "nearer 0" else [goal.target]


def _bracket(start: float, end: float) -> list[Mark]:
    left, right = (start, end) if end > start else (start - 4, end + 4)
    top = TOP - 22
    path = ((left, top + 5), (left, top), (right, top), (right, top + 5))
    return [Line("bracket", path), Text("note", (left + right) / 2, top - 5, "criterion met", "middle")]


def _held(goal: GoalView, days: Days) -> list[Mark]:
    """On hold as a band with edges."""
    if goal.held_since is None or goal.held_since > days.last:
        return []
    x = days(goal.held_since)
    return [Box("held", x, TOP - 22, RIGHT - x, BOTTOM - TOP + 22)]


def _events(goal: GoalView, days: Days) -> list[Mark]:
    """Vertical lines with their words on top: on hold, lost again, due, and changes of phase."""
    named = [(goal.held_since, "on hold"), (goal.regressed, "lost again"), (goal.due, "due")]
    shown = [(day, text) for day, text in named if day is not None and day <= days.last]
    marks: list[Mark] = []
    taken = list[tuple[float, float]]()
    if goal.met_run is not None:
        middle = (days(goal.met_run[0]) + days(goal.met_run[1])) / 2
        taken.append((middle - 45, middle + 45))
    for day, text in sorted(shown, key=_day):
        marks += _event(days(day), text, taken)
    for day, text in goal.phases:
        if day < goal.readings[-1].day:
            marks += _event(days(day) + PAST, text, taken)
    return marks


def _day(event: tuple[date, str]) -> date:
    return event[0]


def _event(x: float, text: str, taken: list[tuple[float, float]]) -> list[Mark]:
    """Its words stand left of the line, in the upper row where the lower is taken."""
    width = len(text) * 6.8
    free = all(x <= left or x - width >= right for left, right in taken)
    top = TOP - 27 if free else TOP - 42
    if free:
        taken.append((x - width, x))
    return [Line("event", ((x, top - 8), (x, BOTTOM))), Text("note", x - 5, top, text, "end")]
