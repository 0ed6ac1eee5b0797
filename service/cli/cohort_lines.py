"""A cohort's answer as lines of text."""

from collections.abc import Iterator

from service.attainment.curve import ATTAINED
from service.jobs.cohort_answer import CohortAnswer, Kind
from service.jobs.cohort_curves import Curve
from service.jobs.cohort_tables import CrossTable
from service.jobs.cohort_words import WORDS
from service.operations.goal_table import aligned

__all__ = ["lines"]

_HIDDEN = "hidden"
_UNITS = {"d": "day", "visit": "training visit"}


def lines(answer: CohortAnswer) -> Iterator[str]:
    """The whole answer, a line at a time."""
    if answer.test_data:
        yield f"{answer.test_data.capitalize()} of the people are test data (HTEST), which is invented."
    yield from _table(answer.flow)
    for kind in answer.kinds:
        yield ""
        yield f"== {kind.measure.replace('-', ' ')}"
        yield from _kind(kind)
    for table in answer.judged:
        yield from _table(table)
    yield ""
    yield from answer.notes


def _kind(kind: Kind) -> Iterator[str]:
    if not kind.endings:
        yield f"Nothing is told: {kind.reason}."
    for curve in (*kind.days, *kind.visits):
        yield from _curve(curve)
    for table in kind.tables:
        yield from _table(table)


def _curve(curve: Curve) -> Iterator[str]:
    yield ""
    unit = _UNITS[curve.unit]
    yield f"Attained by {unit}, {curve.stratum}: {curve.people} people; {_median(curve, unit)}."
    rows = [
        (
            str(point.time),
            str(point.at_risk),
            str(point.ended.get(ATTAINED, 0)),
            str(point.ended.get("left", 0)),
            f"{100 * (1 - float(point.waiting)):.1f}",
            "-" if point.error is None else f"{100 * point.error:.1f}",
            "-"
            if point.interval is None
            else f"{100 * (1 - point.interval.high):.1f}-{100 * (1 - point.interval.low):.1f}",
        )
        for point in curve.steps
    ]
    yield aligned([(f"by {unit}", "at risk", "attained", "left", "% (Kaplan-Meier)", "SE", "95 %"), *rows])
    if curve.ends:
        kinds = tuple(curve.ends[0].incidence)
        shares = [
            (
                str(point.time),
                str(point.at_risk),
                *(f"{100 * float(point.incidence[kind]):.1f}" for kind in kinds),
            )
            for point in curve.ends
        ]
        yield "Incidence, none of these endings censored (Aalen-Johansen):"
        yield aligned([(f"by {unit}", "at risk", *(f"% {WORDS[kind]}" for kind in kinds)), *shares])


def _median(curve: Curve, unit: str) -> str:
    found = curve.median
    if found.time is None:
        return "median not reached"
    low, high = (str(limit) if limit is not None else "not reached" for limit in (found.low, found.high))
    return f"median after {unit} {curve.after} and by {found.time} (95 %: {low} to {high})"


def _table(table: CrossTable) -> Iterator[str]:
    yield ""
    yield f"{table.title}{f', {table.stratum}' if table.stratum else ''}:"
    shown = [
        (name, *(_HIDDEN if count is None else str(count) for count in counts), *_beside(table, place))
        for place, (name, counts) in enumerate(zip(table.rows, table.counts, strict=True))
    ]
    beside = ("attained 95 %",) if table.shares else ("bias (n)",) if table.judgements else ()
    yield aligned([(table.of, *table.columns, *beside), *shown])


def _beside(table: CrossTable, place: int) -> tuple[str, ...]:
    if table.shares:
        share = table.shares[place]
        return ("-" if share is None else f"{100 * share.low:.1f}-{100 * share.high:.1f}",)
    if table.judgements:
        own = table.judgements[place]
        return ("-" if own is None or own.bias is None else f"{float(own.bias):+.2f} ({own.n})",)
    return ()
