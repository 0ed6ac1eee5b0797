"""One run chart per goal, as a Vega-Lite specification.

Conventions (run chart: points joined in time order against a goal line on a real date axis): filled marker =
at or on the better side of the target, open marker = not; a visit with too few scored trials is a diamond
and counts neither way; whiskers are the 95 % interval; a visit without a result is marked "not measured" and
the line is not drawn across it. Nothing is told by colour alone, and all of it prints in grey.
"""

from datetime import UTC, date, datetime, time, timedelta
from fractions import Fraction
from itertools import pairwise
from typing import TYPE_CHECKING, Any

from service.page import words
from service.page.view_model import GoalView, Measure, Reading

if TYPE_CHECKING:
    import altair as alt

__all__ = ["specification"]

INK, LINE, WHISKER, GOAL, GRID, BAND = "#1d2b36", "#17596a", "#66727b", "#7a3412", "#d9dee1", "#e8ebed"
WIDTH, HEIGHT = 720, 190
# the reader's fonts may be wider than those the drawing was measured with
PADDING = {"left": 5, "top": 5, "right": 40, "bottom": 5}


def _instant(day: date) -> str:
    """Midnight UTC, so that no time zone of the renderer can move a visit to the day before."""
    return datetime.combine(day, time(), UTC).isoformat()


def _rows(goal: GoalView) -> list[dict[str, Any]]:
    """One row per visit; ``segment`` changes at every gap, so that no line crosses it."""
    rows: list[dict[str, Any]] = []
    segment = 0
    for reading in goal.readings:
        if reading.value is None:
            segment += 1
            continue
        low = high = None
        if reading.low is not None and reading.high is not None:
            low, high = reading.low, reading.high
        rows.append(
            {
                "day": _instant(reading.day),
                "value": float(reading.value),
                "low": low,
                "high": high,
                "segment": segment,
                "marker": _marker(reading),
                "label": f"{reading.trials.k}/{reading.trials.n}" if reading.trials else "",
            }
        )
    for row, following in pairwise(rows):
        row["under"] = following["segment"] == row["segment"] and following["value"] > row["value"]
    return rows


def _marker(reading: Reading) -> str:
    if not reading.counts:
        return "not counted"
    return "at target" if reading.at_target else "below target"


def _gaps(goal: GoalView) -> list[dict[str, Any]]:
    return [{"day": _instant(r.day), "text": "not measured"} for r in goal.readings if r.value is None]


def _span(goal: GoalView) -> tuple[date, date]:
    """First and last day of the axis: all visits, and the due date where that does not squeeze them."""
    days = [reading.day for reading in goal.readings]
    first, last = min(days), max(days)
    length = max((last - first).days, 7)
    if goal.due and last < goal.due <= last + timedelta(days=length // 2):
        last = goal.due
    pad = max(length // 25, 1)
    return first - timedelta(days=pad), last + timedelta(days=pad)


def specification(goal: GoalView) -> "alt.LayerChart":
    """Build the Vega-Lite chart of a goal with at least one visit."""
    import altair as alt  # noqa: PLC0415 - heavy; only a page with a chart pays for it

    first, last = _span(goal)
    x = alt.X(
        "day:T",
        title=None,
        scale=alt.Scale(type="utc", domain=[_instant(first), _instant(last)], nice=False),
        axis=alt.Axis(
            values=[_instant(reading.day) for reading in goal.readings],
            format="%-d %b %Y" if first.year != last.year else "%-d %b",
            labelOverlap="greedy",
            grid=False,
        ),
    )
    layers = [*_events(alt, goal, x, last), *_target(alt, goal, x, first, last), *_measured(alt, goal, x)]
    chart: alt.LayerChart = (
        alt.layer(*layers)
        .properties(width=WIDTH, height=HEIGHT, padding=PADDING)
        .configure(font="sans-serif", aria=False, background="transparent")
        .configure_view(stroke=None)
        .configure_axis(
            labelFontSize=13,
            labelColor=INK,
            domainColor=WHISKER,
            tickColor=WHISKER,
            gridColor=GRID,
            titleColor=INK,
        )
    )
    return chart


def _y(alt: Any, goal: GoalView) -> Any:
    """The measure's own scale, whole, with room above for the bracket."""
    measure = goal.measure
    span = measure.high - measure.low
    ticks = [measure.low + measure.step * i for i in range(round(span / measure.step) + 1)]
    labels = {"group": "'?ABCD'[datum.value]", "%": "datum.label + ' %'"}.get(measure.unit, "datum.label")
    return alt.Y(
        "value:Q",
        title=None,
        scale=alt.Scale(domain=[_floor(measure), measure.high + span * 0.24], nice=False, zero=False),
        axis=alt.Axis(
            values=ticks,
            tickCount=2 * len(ticks),
            format="~f",
            labelExpr=labels,
            labelOverlap=False,
            grid=True,
            domain=False,
            ticks=False,
            labelPadding=8,
        ),
    )


def _floor(measure: Measure) -> float:
    """The bottom of the drawing: half a step below an ordinal scale's first level, else the scale's start."""
    return measure.low - measure.step / 2 if measure.kind == "levels" else measure.low


def _measured(alt: Any, goal: GoalView, x: Any) -> list[Any]:
    """Whiskers, line, markers with their counts, and the visits without a result."""
    base = alt.Chart(alt.Data(values=_rows(goal)))
    y = _y(alt, goal)
    step = "step-after" if goal.measure.kind == "levels" else "linear"
    shapes = alt.Scale(
        domain=["at target", "below target", "not counted"], range=["circle", "circle", "diamond"]
    )
    fills = alt.Scale(domain=["at target", "below target", "not counted"], range=[LINE, "#ffffff", "#ffffff"])
    whiskers = base.transform_filter("isValid(datum.low)").encode(x=x)
    drawn: list[Any] = [
        whiskers.mark_rule(color=WHISKER, strokeWidth=1.5).encode(y=alt.Y("low:Q"), y2="high:Q"),
        whiskers.mark_tick(color=WHISKER, width=10, thickness=1.5, orient="horizontal").encode(y="low:Q"),
        whiskers.mark_tick(color=WHISKER, width=10, thickness=1.5, orient="horizontal").encode(y="high:Q"),
        base.mark_line(color=LINE, strokeWidth=2, interpolate=step).encode(x=x, y=y, detail="segment:N"),
        base.mark_point(size=120, strokeWidth=2, opacity=1, stroke=LINE).encode(
            x=x,
            y=y,
            shape=alt.Shape("marker:N", scale=shapes, legend=None),
            fill=alt.Fill("marker:N", scale=fills, legend=None),
        ),
        *_counts(alt, base.encode(x=x, y=y, text="label:N")),
    ]
    return drawn + _not_measured(alt, goal, x)


def _counts(alt: Any, base: Any) -> list[Any]:
    """k/n beside each marker, under it where the line rises to the next."""
    under = alt.datum.under == True  # noqa: E712 - an expression for the renderer, not a comparison here
    return [
        base.transform_filter(under).mark_text(align="left", dx=10, dy=11, fontSize=13, color=INK),
        base.transform_filter(~under).mark_text(align="left", dx=10, dy=-9, fontSize=13, color=INK),
    ]


def _not_measured(alt: Any, goal: GoalView, x: Any) -> list[Any]:
    gaps = _gaps(goal)
    if not gaps:
        return []
    base = alt.Chart(alt.Data(values=gaps)).encode(
        x=x, y=alt.datum(_floor(goal.measure), scale=alt.Scale(zero=False))
    )
    return [
        base.mark_point(shape="cross", angle=45, size=90, color=INK, filled=True, opacity=1, yOffset=-8),
        base.mark_text(angle=270, align="left", dx=18, fontSize=13, color=INK).encode(text="text:N"),
    ]


def _target(alt: Any, goal: GoalView, x: Any, first: date, last: date) -> list[Any]:
    """The goal line with its label, and the bracket over the visits that met the criterion."""
    drawn: list[Any] = []
    for target in _goal_lines(goal):
        ends = [{"day": _instant(day), "text": ""} for day in (first, last)]
        ends[-1]["text"] = f"goal {words.value(goal.measure, target)}"
        line = alt.Chart(alt.Data(values=ends)).encode(
            x=x, y=alt.datum(float(target), scale=alt.Scale(zero=False))
        )
        drawn += [
            line.mark_line(color=GOAL, strokeWidth=1.5, strokeDash=[7, 4]),
            line.mark_text(align="left", dx=6, fontSize=13, color=GOAL, fontWeight="bold").encode(
                text="text:N"
            ),
        ]
    if goal.met_run is not None:
        drawn += _bracket(alt, goal, x, *goal.met_run)
    return drawn


def _goal_lines(goal: GoalView) -> list[Fraction]:
    """The target; on both sides where nearer 0 is better."""
    if goal.target is None:
        return []
    return [goal.target, -goal.target] if goal.measure.better == "nearer 0" else [goal.target]


def _bracket(alt: Any, goal: GoalView, x: Any, start: date, end: date) -> list[Any]:
    measure = goal.measure
    span = measure.high - measure.low
    top = measure.high + span * 0.14
    corners = [(start, top - span * 0.03), (start, top), (end, top), (end, top - span * 0.03)]
    path = [{"day": _instant(day), "y": y, "order": i} for i, (day, y) in enumerate(corners)]
    label = [{"day": _instant(start + (end - start) / 2)}]
    return [
        alt.Chart(alt.Data(values=path))
        .mark_line(color=INK, strokeWidth=1.5)
        .encode(x=x, y=alt.Y("y:Q"), order="order:Q"),
        alt.Chart(alt.Data(values=label))
        .mark_text(dy=-9, fontSize=13, color=INK)
        .encode(x=x, y=alt.datum(top), text=alt.value("criterion met")),
    ]


def _events(alt: Any, goal: GoalView, x: Any, last: date) -> list[Any]:
    """On hold as a grey band; lost again and due as labelled vertical lines."""
    drawn: list[Any] = []
    if goal.held_since is not None and goal.held_since <= last:
        band = [{"day": _instant(goal.held_since), "end": _instant(last)}]
        drawn.append(alt.Chart(alt.Data(values=band)).mark_rect(color=BAND).encode(x=x, x2="end:T"))
        drawn += _vertical(alt, x, goal.held_since, "on hold")
    if goal.regressed is not None:
        drawn += _vertical(alt, x, goal.regressed, "lost again")
    if goal.due is not None and goal.due <= last:
        drawn += _vertical(alt, x, goal.due, "due")
    return drawn


def _vertical(alt: Any, x: Any, day: date, text: str) -> list[Any]:
    base = alt.Chart(alt.Data(values=[{"day": _instant(day), "text": text}])).encode(x=x)
    return [
        base.mark_rule(color=WHISKER, strokeDash=[2, 3], strokeWidth=1.5),
        base.mark_text(align="right", dx=-5, fontSize=13, color=INK).encode(y=alt.value(8), text="text:N"),
    ]
