"""A cohort's curves: how many have attained by when, with limits, and how looking ended, each kind apart.

Both are steps at the ends of periods, as nobody is seen between visits. Under the axis stand those who were
at risk when the period that ends there began (in a curve by single times: just before that time).
"""

from collections.abc import Iterable, Sequence
from fractions import Fraction

from service.attainment.curve import Point
from service.jobs.cohort_curves import Curve, Unit
from service.jobs.cohort_words import WORDS
from service.page.axes import LETTER, Values
from service.page.drawing import Drawing, Line, Mark, Text, steps
from service.page.view_model import Measure

__all__ = ["MOST_LINES", "UNITS", "attained_drawing", "ended_drawing", "groups_drawing", "percent"]

WIDTH, HEIGHT = 560, 300
LEFT, TOP, BOTTOM = 52, 16, 226
RIGHT, BESIDE = 528, 384
"""Where the axis ends, and where it does with words beside the lines."""
LINE = 15
MOST_LINES = 8
"""Lines that can be told from each other in one drawing."""
UNITS: dict[Unit, str] = {"d": "day", "visit": "training visit"}
_SHARE = Measure("share", "People", "%", 0, 100, 20, "share")
_VALUES = Values(_SHARE, BOTTOM, TOP)
_AXES: dict[Unit, str] = {"d": "days since the goal began", "visit": "training visits since the goal began"}


def attained_drawing(curve: Curve, last: int) -> Drawing:
    """Who has attained by when (Kaplan-Meier) with 95 % limits, on an axis up to ``last``."""
    shares = [(point.time, 1 - float(point.waiting)) for point in curve.steps]
    marks = _frame(curve.steps, curve, last, RIGHT)
    for limits in _limits(curve.steps):
        marks.append(Line("limit", _path(limits, last, RIGHT)))
    marks.append(Line("run", _path(shares, last, RIGHT)))
    if curve.median.time is not None:
        x = _x(curve.median.time, last, RIGHT)
        marks.append(Line("event", ((x, _VALUES(50)), (x, BOTTOM))))
    unit = UNITS[curve.unit]
    told = "; ".join(f"by {unit} {point.time} {_attained(point)}" for point in curve.steps)
    name = f"Attained by {unit}, {curve.stratum}"
    return Drawing(name, f"{curve.people:,} people: {told}.", WIDTH, HEIGHT, tuple(marks))


def ended_drawing(curve: Curve, last: int) -> Drawing:
    """How looking ended by when (Aalen-Johansen), a line each ending; ``curve`` tells endings apart."""
    marks = _frame(curve.ends, curve, last, BESIDE)
    final = curve.ends[-1].incidence
    for kind in final:
        shares = [(point.time, float(point.incidence[kind])) for point in curve.ends]
        path = [*_path(shares, last, BESIDE), (BESIDE, _VALUES(100 * shares[-1][1]))]
        marks.append(Line(f"ending {kind}", path))
    words = {f"{WORDS[kind]} {percent(share)}": _VALUES(100 * float(share)) for kind, share in final.items()}
    marks += [Text("note", BESIDE + 6, y + 4.5, text) for text, y in _apart(words)]
    unit = UNITS[curve.unit]
    told = "; ".join(f"by {unit} {point.time} {_endings(point)}" for point in curve.ends)
    name = f"How looking ended by {unit}, {curve.stratum}"
    return Drawing(name, f"{curve.people:,} people: {told}.", WIDTH, HEIGHT, tuple(marks))


def groups_drawing(curves: Sequence[Curve], last: int) -> Drawing:
    """Who has attained by when in each of at most MOST_LINES groups; the first has those at risk below."""
    marks = _frame(curves[0].steps, curves[0], last, BESIDE)
    ends: dict[str, float] = {}
    for number, curve in enumerate(curves):
        shares = [(point.time, 1 - float(point.waiting)) for point in curve.steps]
        path = [*_path(shares, last, BESIDE), (BESIDE, _VALUES(100 * shares[-1][1]))]
        marks.append(Line(f"group line-{number}", path))
        ends[f"{curve.stratum} {percent(shares[-1][1])}"] = path[-1][1]
    marks += [Text("note", BESIDE + 6, y + 4.5, text) for text, y in _apart(ends)]
    unit = UNITS[curves[0].unit]
    told = "; ".join(f"{text} of {curve.people:,} people" for text, curve in zip(ends, curves, strict=True))
    return Drawing(f"Attained by {unit}, group by group", f"At the end: {told}.", WIDTH, HEIGHT, tuple(marks))


def percent(share: Fraction | float) -> str:
    """``49.6 %``."""
    return f"{100 * float(share):.1f} %"


def _attained(point: Point) -> str:
    low_high = point.interval
    limits = f" (95 % {percent(1 - low_high.high)} to {percent(1 - low_high.low)})" if low_high else ""
    return f"{percent(1 - float(point.waiting))}{limits}, {point.at_risk:,} at risk"


def _endings(point: Point) -> str:
    shares = ", ".join(f"{WORDS[kind]} {percent(share)}" for kind, share in point.incidence.items())
    return f"{shares}, {point.at_risk:,} at risk"


def _frame(points: Sequence[Point], curve: Curve, last: int, right: float) -> list[Mark]:
    """The scales, and those at risk under the axis wherever there is room."""
    marks: list[Mark] = [*_VALUES.lines(LEFT, right), Line("axis", ((LEFT, BOTTOM), (right, BOTTOM)))]
    at_risk = {0: curve.people} | {point.time: point.at_risk for point in points if point.time}
    taken = float("-inf")
    for time, number in at_risk.items():
        x, words = _x(time, last, right), f"{number:,}"
        marks.append(Line("axis", ((x, BOTTOM), (x, BOTTOM + 5))))
        half = max(len(words), len(str(time))) * LETTER / 2
        if x - half >= taken:
            marks += [Text("tick", x, BOTTOM + 19, str(time), "middle")]
            marks += [Text("count", x, BOTTOM + 36, words, "middle")]
            taken = x + half + LETTER
    return [*marks, Text("note", LEFT, BOTTOM + 56, f"{_AXES[curve.unit]}; below: people at risk")]


def _limits(points: Iterable[Point]) -> list[list[tuple[int, float]]]:
    """The lower and the upper limit, as far as there are any."""
    found = [(point.time, point.interval) for point in points if point.interval]
    lower = [(time, 1 - interval.high) for time, interval in found]
    upper = [(time, 1 - interval.low) for time, interval in found]
    return [one for one in (lower, upper) if one]


def _path(shares: Iterable[tuple[int, float]], last: int, right: float) -> list[tuple[float, float]]:
    heights = [(_x(time, last, right), _VALUES(100 * share)) for time, share in shares]
    return steps([(LEFT, _VALUES(0)), *heights])


def _x(time: int, last: int, right: float) -> float:
    return LEFT + (right - LEFT) * time / last


def _apart(words: dict[str, float]) -> list[tuple[str, float]]:
    """Words at their heights, the highest first; moved where they would stand on each other or too high."""
    up: list[tuple[str, float]] = []
    for text, y in sorted(words.items(), key=lambda one: -one[1]):
        up.append((text, min(y, up[-1][1] - LINE) if up else y))
    found: list[tuple[str, float]] = []
    for text, y in reversed(up):
        found.append((text, max(y, found[-1][1] + LINE if found else TOP)))
    return found
