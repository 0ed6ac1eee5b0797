"""The visits of a person side by side: before feedback, after training, and the change between."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from fractions import Fraction

from service.attainment.answers import PatientAnswer
from service.attainment.visits import VisitResult
from service.page import words
from service.page.axes import Days, Values
from service.page.drawing import Drawing, Line, Mark, Marker, Text
from service.page.scales import scale
from service.page.view_model import Count

__all__ = ["VisitRow", "cue_words", "pairs_drawing", "visit_rows"]

WIDTH, HEIGHT = 620, 210
LEFT, RIGHT, TOP, BOTTOM = 52, 600, 20, 180
APART = 7


@dataclass(frozen=True, slots=True)
class VisitRow:
    """One visit with a probe: counts of closed trials before feedback and after training.

    ``change`` is after less before in points, ``interval`` its 95 % interval, ``how`` which trials were
    compared and what that can show; ``retention`` is this probe less the block after training of the visit
    before. ``bias`` is -1 to 1. ``encounter`` is empty where the visit's Encounter is not known.
    """

    day: date
    encounter: str
    before: Count
    after: Count | None
    change: str
    interval: str
    how: str
    retention: str
    agreement: Count | None
    bias: Fraction | None
    cues: str
    left_out: str = ""


def visit_rows(answer: PatientAnswer, encounters: Mapping[date, str]) -> tuple[VisitRow, ...]:
    """Every visit of the answer; ``encounters`` are the ids of Encounters by day."""
    return tuple(_row(visit, encounters.get(visit.day, "")) for visit in answer.visits)


def _row(visit: VisitResult, encounter: str) -> VisitRow:
    own, closed, after = visit.own, visit.closure, visit.after_closure
    interval, how = _compared(visit)
    return VisitRow(
        day=visit.day,
        encounter=encounter,
        before=Count(closed.k, closed.n),
        after=Count(after.k, after.n) if after else None,
        change=_points(visit.acquisition),
        interval=interval,
        how=how,
        retention=_points(visit.retention),
        agreement=Count(own.cells.both_closed + own.cells.both_open, own.n) if own.n else None,
        bias=own.bias,
        cues=cue_words(visit.cue_levels),
        left_out="; ".join(f"{number} {why}" for why, number in closed.left_out.items()),
    )


def _compared(visit: VisitResult) -> tuple[str, str]:
    """The interval of the change in points, and what was compared."""
    pairs, apart = visit.by_posture, visit.apart
    if pairs is not None:
        kept = f"{pairs.gained} gained, {pairs.lost} lost of {pairs.n} postures"
        return words.limits(pairs.difference.interval), kept + _chance(pairs.p)
    if apart is not None:
        return words.limits(apart.difference.interval), "trials not paired" + _chance(apart.p)
    return "", ""


def _chance(p: Fraction | None) -> str:
    """``, p = 0.031``; nothing where trials are too few for it."""
    return "" if p is None else f", p = {float(p):.2g}"


def _points(share: Fraction | None) -> str:
    return "" if share is None else words.signed(100 * share, "points")


def cue_words(levels: Mapping[str, int]) -> str:
    """``4 independent, 1 minimal cues``; trials that do not say are not counted as independent."""
    said = [f"{number} {level.replace('-', ' ')}" for level, number in levels.items() if level]
    return ", ".join(said)


def pairs_drawing(rows: tuple[VisitRow, ...]) -> Drawing:
    """Before feedback (circle) and after training (square) of each visit, joined within the visit alone."""
    measure = scale("closure-accuracy", ())
    days = Days.over([row.day for row in rows], None, LEFT, RIGHT)
    values = Values(measure, BOTTOM, TOP)
    marks: list[Mark] = [*values.lines(LEFT, RIGHT), *days.labels((row.day for row in rows), BOTTOM)]
    for row in rows:
        marks += _pair(row, days(row.day), values)
    told = "; ".join(
        f"{words.day(row.day)} {words.count(row.before)} before feedback, "
        f"{words.count(row.after) or 'no block'} after training"
        for row in rows
    )
    return Drawing("Before feedback and after training, by visit", f"{told}.", WIDTH, HEIGHT, tuple(marks))


def _pair(row: VisitRow, x: float, values: Values) -> list[Mark]:
    marks: list[Mark] = []
    before, after = _height(row.before, values), _height(row.after, values)
    left, right = x - APART, x + APART
    if before is not None and after is not None:
        marks.append(Line("pair", ((left, before), (right, after))))
    if before is not None:
        marks.append(Marker("point", left, before))
    if after is not None:
        marks.append(Marker("after", right, after, "square"))
    else:
        marks.append(Text("note", right, BOTTOM - 6, "none after", upright=True))
    return marks


def _height(count: Count | None, values: Values) -> float | None:
    return values(100 * count.k / count.n) if count and count.n else None
