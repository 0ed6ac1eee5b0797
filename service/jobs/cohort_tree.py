"""A cohort's answer as plain JSON, and as a long table."""

import csv
import io
from collections.abc import Iterable, Iterator
from typing import Any

from service.attainment.curve import ATTAINED, Point
from service.attainment.intervals import Interval
from service.jobs.cohort_answer import CohortAnswer, Kind
from service.jobs.cohort_curves import Curve
from service.jobs.cohort_tables import CrossTable

__all__ = ["COLUMNS", "as_csv", "as_rows", "as_tree"]

Tree = dict[str, Any]
COLUMNS = ("answer", "measure", "stratum", "row", "column", "value")
"""Of the long table; a hidden value is 'hidden'."""
_PLACES = 6


def as_tree(answer: CohortAnswer) -> Tree:
    """Everything that is told; a hidden count is null."""
    return {
        "by": answer.asked.by,
        "smallest": answer.asked.smallest,
        "testData": answer.test_data or None,
        "flow": _table(answer.flow),
        "kinds": [_kind(kind) for kind in answer.kinds],
        "judgement": [_table(table) for table in answer.judged],
        "notes": list(answer.notes),
    }


def as_csv(answer: CohortAnswer) -> str:
    """The long table as CSV (RFC 4180)."""
    out = io.StringIO(newline="")
    rows = csv.writer(out)
    rows.writerow(COLUMNS)
    rows.writerows(as_rows(answer))
    return out.getvalue()


def as_rows(answer: CohortAnswer) -> Iterator[tuple[str | int | float, ...]]:
    """One value a row, in the order of COLUMNS."""
    yield from _cells("flow", "", answer.flow)
    for kind in answer.kinds:
        for name, curves in (("days", kind.days), ("visits", kind.visits)):
            for curve in curves:
                yield from _points(name, kind, curve)
        for table in kind.tables:
            yield from _cells(table.title, kind.measure, table)
    for table in answer.judged:
        yield from _cells(table.title, "", table)


def _kind(kind: Kind) -> Tree:
    return {
        "measure": kind.measure,
        "reason": kind.reason or None,
        "endings": list(kind.endings),
        "competing": list(kind.competing),
        "days": [_curve(curve) for curve in kind.days],
        "visits": [_curve(curve) for curve in kind.visits],
        "tables": [_table(table) for table in kind.tables],
    }


def _curve(curve: Curve) -> Tree:
    middle = curve.median
    return {
        "stratum": curve.stratum,
        "unit": curve.unit,
        "people": curve.people,
        "median": {
            "after": curve.after,
            "time": middle.time,
            "low": middle.low,
            "high": middle.high,
            "method": middle.method,
        },
        "steps": [
            {
                **_shared(point),
                "waiting": round(float(point.waiting), _PLACES),
                "error": None if point.error is None else round(point.error, _PLACES),
                **_limits(point.interval),
            }
            for point in curve.steps
        ],
        "ends": [
            {
                **_shared(point),
                "incidence": {kind: round(float(share), _PLACES) for kind, share in point.incidence.items()},
            }
            for point in curve.ends
        ],
    }


def _shared(point: Point) -> Tree:
    return {"time": point.time, "atRisk": point.at_risk, "ended": dict(point.ended)}


def _limits(interval: Interval | None) -> Tree:
    if interval is None:
        return {"low": None, "high": None}
    return {"low": round(interval.low, _PLACES), "high": round(interval.high, _PLACES)}


def _table(table: CrossTable) -> Tree:
    told: Tree = {
        "title": table.title,
        "stratum": table.stratum,
        "of": table.of,
        "columns": list(table.columns),
        "rows": [{"row": name, "counts": list(counts)} for name, counts in _lines(table)],
    }
    for row, interval in zip(told["rows"], table.shares, strict=False):
        row["attained95"] = None if interval is None else _limits(interval)
    for row, own in zip(told["rows"], table.judgements, strict=False):
        bias = None if own is None or own.bias is None else round(float(own.bias), _PLACES)
        row["bias"] = None if own is None else {"value": bias, "of": own.n}
    return told


def _lines(table: CrossTable) -> Iterable[tuple[str, tuple[int | None, ...]]]:
    return zip(table.rows, table.counts, strict=True)


def _points(name: str, kind: Kind, curve: Curve) -> Iterator[tuple[str | int | float, ...]]:
    about = (f"by {name}", kind.measure, curve.stratum)
    for point in curve.steps:
        yield (*about, point.time, "at risk", point.at_risk)
        for ending, count in point.ended.items():
            yield (*about, point.time, ending, count)
        yield (*about, point.time, "waiting (Kaplan-Meier)", round(float(point.waiting), _PLACES))
    for point in curve.ends:
        for ending, share in point.incidence.items():
            yield (*about, point.time, f"incidence of {ending}", round(float(share), _PLACES))
        for ending, count in point.ended.items():
            if ending != ATTAINED:
                yield (*about, point.time, ending, count)
    if curve.median.time is not None:
        yield (*about, "median", "time", curve.median.time)


def _cells(name: str, measure: str, table: CrossTable) -> Iterator[tuple[str | int, ...]]:
    for row, counts in _lines(table):
        for column, count in zip(table.columns, counts, strict=True):
            yield (name, measure, table.stratum, row, column, "hidden" if count is None else count)
