"""A cohort's answer as its page shows it: drawings, tables of words, and whose curves are shown in full."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from itertools import chain

from service.attainment.curve import ATTAINED
from service.jobs.cohort_answer import CohortAnswer, Kind
from service.jobs.cohort_curves import Curve
from service.jobs.cohort_division import EVERYBODY
from service.jobs.cohort_tables import CrossTable
from service.jobs.cohort_words import WORDS
from service.page.bias_bars import BiasRow, bias_bars
from service.page.cohort_curve import (
    MOST_LINES,
    UNITS,
    attained_drawing,
    ended_drawing,
    groups_drawing,
    percent,
)
from service.page.drawing import Drawing
from service.page.scales import scale

__all__ = ["CohortView", "CurveView", "JudgedView", "KindView", "TableView", "cohort_view"]

HIDDEN = "hidden"
Row = tuple[str, ...]


@dataclass(frozen=True, slots=True)
class TableView:
    """A table of words; the first of each row names it."""

    caption: str
    head: Row
    rows: tuple[Row, ...]
    hidden: bool = False


@dataclass(frozen=True, slots=True)
class CurveView:
    """One stratum by day or by training visit; ``ended`` is None where endings are not told apart."""

    unit: str
    told: str
    attained: Drawing
    ended: Drawing | None
    steps: TableView


@dataclass(frozen=True, slots=True)
class KindView:
    """One kind of goal; ``reason`` says why nothing is told of it, or not of this stratum."""

    measure: str
    name: str
    reason: str
    curves: tuple[CurveView, ...] = ()
    groups: Drawing | None = None
    strata: TableView | None = None
    tables: tuple[TableView, ...] = ()


@dataclass(frozen=True, slots=True)
class JudgedView:
    """Own judgement by training visit, in one stratum or of all that are told apart."""

    table: TableView
    bias: Drawing | None = None


@dataclass(frozen=True, slots=True)
class CohortView:
    """``strata`` are all that can be shown, ``stratum`` the one whose curves are; ``hides`` says what is not.

    ``test_data`` says whether people are invented, empty where nobody knows.
    """

    test_data: str
    strata: tuple[str, ...]
    stratum: str
    flow: TableView
    kinds: tuple[KindView, ...]
    judged: tuple[JudgedView, ...]
    notes: tuple[str, ...]
    hides: str


def cohort_view(answer: CohortAnswer, stratum: str) -> CohortView:
    """Show an answer with one stratum in full; with everybody where it has none of this name."""
    strata = tuple(dict.fromkeys([EVERYBODY, *_names(answer)]))
    shown = stratum if stratum in strata else EVERYBODY
    k = answer.asked.smallest
    return CohortView(
        _test_data(answer.test_data),
        strata if len(strata) > 2 else (),
        shown,
        _table(answer.flow),
        tuple(_kind(kind, shown) for kind in answer.kinds),
        tuple(_judged(answer.judged, shown)),
        answer.notes,
        f"Hidden: 1 to {k - 1} people, or a count that would tell of so few." if k > 1 else "",
    )


def _test_data(which: str) -> str:
    people = {"all": "All of the people are", "some": "Some of the people are", "none": "None are"}
    return f"{people[which]} test data (HTEST), which is invented." if which else ""


def _names(answer: CohortAnswer) -> Iterator[str]:
    yield from (curve.stratum for kind in answer.kinds for curve in kind.days)
    yield from (table.stratum for table in answer.judged)


def _kind(kind: Kind, stratum: str) -> KindView:
    name = scale(kind.measure, ()).name
    if not kind.days:
        return KindView(kind.measure, name, f"Nothing is told: {kind.reason}.")
    shown = [curve for curves in (kind.days, kind.visits) if (curve := _of(curves, stratum))]
    reason = "" if shown else "Few people of this group have such a goal: they are told with others."
    return KindView(
        kind.measure,
        name,
        reason,
        tuple(_curve(curve, kind) for curve in shown),
        _groups(kind.days),
        _strata(kind) if len(kind.days) > 1 else None,
        tuple(_table(table) for table in kind.tables if shown and table.stratum == shown[0].stratum),
    )


def _of(curves: tuple[Curve, ...], stratum: str) -> Curve | None:
    """The curve of a stratum; where nothing is told apart, the only one stands for everybody."""
    if stratum == EVERYBODY:
        return curves[0]
    return next((curve for curve in curves if curve.stratum == stratum), None)


def _curve(curve: Curve, kind: Kind) -> CurveView:
    last = _last(kind.days if curve.unit == "d" else kind.visits)
    ended = ended_drawing(curve, last) if curve.ends else None
    told = f"{curve.people:,} people, {_attained(curve):,} attained; {_half(curve)}."
    return CurveView(UNITS[curve.unit], told, attained_drawing(curve, last), ended, _steps(curve))


def _attained(curve: Curve) -> int:
    return sum(point.ended.get(ATTAINED, 0) for point in curve.steps)


def _half(curve: Curve) -> str:
    unit = UNITS[curve.unit]
    if curve.median.time is None:
        return "fewer than half attained while they were looked at"
    return f"half attained after {unit} {curve.after} and by {unit} {_median(curve)}"


def _median(curve: Curve) -> str:
    found = curve.median
    if found.time is None:
        return "not reached"
    low, high = (str(limit) if limit is not None else "not reached" for limit in (found.low, found.high))
    return f"{found.time} (95 %: {low} to {high})"


def _steps(curve: Curve) -> TableView:
    """The attained curve as numbers."""
    rows = [
        (
            str(point.time),
            f"{point.at_risk:,}",
            f"{point.ended.get(ATTAINED, 0):,}",
            f"{sum(point.ended.values()) - point.ended.get(ATTAINED, 0):,}",
            percent(1 - float(point.waiting)),
            f"{percent(1 - point.interval.high)} to {percent(1 - point.interval.low)}"
            if point.interval
            else "none",
        )
        for point in curve.steps
    ]
    unit = UNITS[curve.unit]
    head = (f"By {unit}", "At risk", "Attained", WORDS["left"].capitalize(), "Attained by then", "95 %")
    return TableView(f"{curve.stratum}, {curve.people:,} people (Kaplan-Meier)", head, tuple(rows))


def _groups(curves: tuple[Curve, ...]) -> Drawing | None:
    several = 1 < len(curves) <= MOST_LINES
    return groups_drawing(curves, _last(curves)) if several else None


def _last(curves: tuple[Curve, ...]) -> int:
    return max(1, *(point.time for one in curves for point in (*one.steps, *one.ends)))


def _strata(kind: Kind) -> TableView:
    visits = {curve.stratum: curve for curve in kind.visits}
    rows = [
        (
            curve.stratum,
            f"{curve.people:,}",
            f"{_attained(curve):,}",
            _median(curve),
            _median(visits[curve.stratum]),
        )
        for curve in kind.days
    ]
    head = ("Group", "People", "Attained", "Half by day", "Half by training visit")
    return TableView("Side by side", head, tuple(rows))


def _table(table: CrossTable) -> TableView:
    beside = ("Attained, 95 %",) if table.shares else ()
    rows = tuple(
        (name, *map(_count, counts), *_share(table, place))
        for place, (name, counts) in enumerate(zip(table.rows, table.counts, strict=True))
    )
    caption = f"{table.title}{f', {table.stratum}' if table.stratum else ''}"
    return TableView(caption, (table.of.capitalize(), *table.columns, *beside), rows, bool(table.hidden))


def _count(count: int | None) -> str:
    return HIDDEN if count is None else f"{count:,}"


def _share(table: CrossTable, place: int) -> Row:
    if not table.shares:
        return ()
    share, people = table.shares[place], table.counts[place][-1]
    return (
        (HIDDEN,)
        if share is None
        else (f"{percent(share.low)} to {percent(share.high)} of {_count(people)}",)
    )


def _judged(tables: Iterable[CrossTable], stratum: str) -> Iterator[JudgedView]:
    tables = tuple(tables)
    shown = [one for one in tables if one.stratum == stratum] or tables
    if len(shown) == 1:
        yield JudgedView(_table(shown[0]), _bias(shown[0]))
    elif shown:
        yield JudgedView(_biases(shown))


def _bias(table: CrossTable) -> Drawing:
    rows = [
        BiasRow(f"visit {name}", own.bias if own else None, _told(table, place))
        for place, (name, own) in enumerate(zip(table.rows[:-1], table.judgements[:-1], strict=True))
    ]
    told = "; ".join(f"{row.name} {row.beside}" for row in rows)
    return bias_bars(f"Bias of the own judgement by training visit, {table.stratum}", f"{told}.", rows)


def _told(table: CrossTable, place: int) -> str:
    own = table.judgements[place]
    if own is None:
        return HIDDEN
    return f"{_points(own.bias)} of {own.n:,} trials" if own.bias is not None else "nobody was asked"


def _points(bias: Fraction) -> str:
    return f"{float(bias):+.2f}".replace("-", "−")


def _biases(tables: Iterable[CrossTable]) -> TableView:
    """Bias by training visit, a row each stratum."""
    found = {
        table.stratum: {name: _told(table, place) for place, name in enumerate(table.rows)}
        for table in tables
    }
    visits = tuple(dict.fromkeys(chain.from_iterable(found.values())))
    rows = tuple((stratum, *(told.get(one, "no visit") for one in visits)) for stratum, told in found.items())
    return TableView(
        "Bias of the own judgement by training visit",
        ("Group", *visits),
        rows,
        any(HIDDEN in row for row in rows),
    )
