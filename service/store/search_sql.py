"""A search as one SQL statement.

Keys are filed by patient first, so a search that names one patient reads that patient's keys only, however
many others there are; wide keys (identifier, names, …) are filed together and found without a patient. What
is left, a narrow key without a patient, walks the type's current resources and probes each one's keys.
"""

import base64
import binascii
import json
import re
from collections.abc import Callable
from typing import Any

from service.errors import InvalidInput
from service.fhir.datetimes import LATEST
from service.fhir.search_parameters import (
    Clause,
    DateValue,
    ReferenceValue,
    StringValue,
    TokenValue,
    compartment,
)
from service.store.contract import Query

__all__ = ["WIDE", "Statement", "columns", "cursor", "page", "total"]

WIDE = -1
"""The owner under which wide keys are filed."""

Statement = tuple[str, list[Any]]
"""SQL text and its values."""

columns = "r.sequence, c.type, c.id, r.version, r.last_updated, r.method, r.content"

_WORD = "(SELECT key FROM word WHERE text = ?)"
_DATE_RULES = {
    "eq": "({low} >= ?a AND {high} <= ?b)",
    "ne": "NOT ({low} >= ?a AND {high} <= ?b)",
    "gt": "{high} > ?b",
    "lt": "{low} < ?a",
    "ge": "({high} > ?b OR ({low} >= ?a AND {high} <= ?b))",
    "le": "({low} < ?a OR ({low} >= ?a AND {high} <= ?b))",
    "sa": "{low} >= ?b",
    "eb": "{high} <= ?a",
    "ap": "({high} > ?a AND {low} < ?b)",
}
"""For a target [low, high) and a search value [a, b): search.html, prefixes."""


def page(query: Query) -> Statement:
    """The statement for one page; one row more than asked for tells whether there is a next page.

    After ``columns`` each row carries the values it is sorted by, for ``cursor``.
    """
    where, values = _where(query)
    key = "c.key" if _patient(query) is None else "+c.key"  # '+': go by the patient, not by the order
    order = [*_order(query), (key, [], False)]
    if query.after:
        after, after_values = _beyond(order, _position(query.after, len(order)))
        where, values = f"{where} AND ({after})", [*values, *after_values]
    keys = ", ".join(expression for expression, _, _ in order)
    by = ", ".join(
        f"{len(columns.split(',')) + 1 + place} {'DESC' if down else 'ASC'}"
        for place, (_, _, down) in enumerate(order)
    )
    sql = (
        f"SELECT {columns}, {keys} FROM current c JOIN resource r ON r.sequence = c.sequence "
        f"WHERE {where} ORDER BY {by} LIMIT ?"
    )
    return sql, [*(value for _, inner, _ in order for value in inner), *values, query.count + 1]


def total(query: Query) -> Statement:
    """The statement that counts every match."""
    where, values = _where(query)
    return f"SELECT count(*) FROM current c WHERE {where}", values


def cursor(position: tuple[Any, ...]) -> str:
    """The opaque text of a row's place in the order."""
    return base64.urlsafe_b64encode(json.dumps(position).encode()).decode().rstrip("=")


def _position(after: str, length: int) -> list[Any]:
    try:
        position: list[Any] = json.loads(base64.urlsafe_b64decode(after + "=" * (-len(after) % 4)))
    except (binascii.Error, ValueError):
        position = []
    right = isinstance(position, list) and len(position) == length
    if not right or not all(
        isinstance(value, str) or (type(value) is int and abs(value) <= LATEST) for value in position
    ):
        raise InvalidInput("This page link is not one this service gave; start the search again.")
    return position


def _order(query: Query) -> list[tuple[str, list[Any], bool]]:
    """Expression, its values and whether it falls, per sort key; without a value a resource comes last."""
    order: list[tuple[str, list[Any], bool]] = []
    for sort in query.sort:
        if sort.index == "_id":
            order.append(("c.id", [], sort.descending))
        elif sort.index == "_lastUpdated":
            order.append(("c.updated", [], sort.descending))
        else:
            pick, missing = ("max(high)", -LATEST) if sort.descending else ("min(low)", LATEST)
            inner = f"SELECT {pick} FROM date d WHERE d.key = c.key AND d.name = {_WORD}"
            order.append((f"COALESCE(({inner}), {missing})", [sort.index], sort.descending))
    return order


def _beyond(order: list[tuple[str, list[Any], bool]], position: list[Any]) -> Statement:
    """Everything after ``position``: later in the first key, or equal there and later in the next."""
    if not order:
        return "0", []
    (expression, inner, down), *rest = order
    deeper, deeper_values = _beyond(rest, position[1:])
    mark = "<" if down else ">"
    return (
        f"{expression} {mark} ? OR ({expression} = ? AND ({deeper}))",
        [*inner, position[0], *inner, position[0], *deeper_values],
    )


def _where(query: Query) -> Statement:
    patient = _patient(query)
    parts = [_condition(clause, patient) for clause in query.clauses]
    plus = (
        "+" if any(sql.startswith("c.key IN") for sql, _ in parts) else ""
    )  # then the keys lead, not the type
    head: list[Statement] = [(f"{plus}c.type = ? AND NOT c.deleted", [query.type])]
    if patient is not None:
        head.append((f"{plus}c.owner IN (0, {_WORD})", [patient]))
    every = [*head, *parts]
    return " AND ".join(sql for sql, _ in every), [value for _, values in every for value in values]


def _patient(query: Query) -> str | None:
    """The one patient a search is about, as ``Patient/id``."""
    own = compartment(query.type)
    for clause in query.clauses:
        if clause.kind == "reference" and clause.index == own and len(clause.values) == 1:
            (value,) = clause.values
            patients = [target for target in _targets(value) if target.startswith("Patient/")]
            if len(patients) == 1 == len(_targets(value)):
                return patients[0]
    return None


def _targets(value: Any) -> tuple[str, ...]:
    return value.targets if isinstance(value, ReferenceValue) else ()


def _condition(clause: Clause, patient: str | None) -> Statement:
    if clause.kind == "id":
        return f"c.id IN ({_marks(clause.values)})", list(clause.values)
    if clause.kind == "updated":
        return _any(clause, _updated)
    if clause.kind == "reference":
        return _reference(clause, patient)
    return _filed(clause, patient)


def _reference(clause: Clause, patient: str | None) -> Statement:
    targets = [target for value in clause.values for target in _targets(value)]
    sql = f"c.key IN (SELECT key FROM reference WHERE target IN ({_marks(targets)}) AND name = {_WORD})"
    if patient is not None and targets == [patient]:
        sql = f"(c.owner <> 0 OR {sql})"  # owned by one patient: that says it already
    return sql, [*targets, clause.index]


def _filed(clause: Clause, patient: str | None) -> Statement:
    """A condition on the token, date or string keys, by the way that reads fewest of them."""
    matches: dict[str, Callable[[Any], Statement]] = {
        "token": _token,
        "date": _date,
        "string": _string(clause.modifier),
    }
    inner, values = _any(clause, matches[clause.kind])
    no = "NOT " if clause.modifier == "not" else ""
    table = f"SELECT key FROM {clause.kind} k WHERE name = {_WORD} AND {inner}"
    bound = [clause.index, *values]
    if clause.wide and patient is None:
        return f"c.key {no}IN ({table} AND owner = {WIDE})", bound
    if not clause.wide and patient is not None:
        return f"c.key {no}IN ({table} AND owner IN (0, {_WORD}))", [*bound, patient]
    owner = str(WIDE) if clause.wide else "c.owner"
    return f"{no}EXISTS ({table} AND owner = {owner} AND k.key = c.key)", bound


def _any(clause: Clause, condition: Callable[[Any], Statement]) -> Statement:
    parts = [condition(value) for value in clause.values]
    return "(" + " OR ".join(sql for sql, _ in parts) + ")", [
        value for _, values in parts for value in values
    ]


def _token(value: TokenValue) -> Statement:
    parts: list[str] = []
    bound: list[Any] = []
    if value.code is not None:
        parts.append("code = ?")
        bound.append(value.code)
    if value.system:
        parts.append(f"system = {_WORD}")
        bound.append(value.system)
    elif value.system == "":
        parts.append("system = 0")
    return "(" + " AND ".join(parts) + ")", bound


def _date(value: DateValue, low: str = "low", high: str = "high") -> Statement:
    rule = _DATE_RULES[value.prefix].format(low=low, high=high)
    bound = [value.low if mark == "?a" else value.high for mark in re.findall(r"\?[ab]", rule)]
    return re.sub(r"\?[ab]", "?", rule), bound


def _updated(value: DateValue) -> Statement:
    """A moment as a target of one millisecond, with the plain bounds an index can serve."""
    rule, bound = _date(value, "c.updated", "(c.updated + 1)")
    if value.prefix in {"eq", "gt", "ge", "sa"}:
        rule, bound = f"c.updated >= ? AND {rule}", [value.low, *bound]
    if value.prefix in {"eq", "lt", "le", "eb"}:
        rule, bound = f"c.updated < ? AND {rule}", [value.high, *bound]
    return f"({rule})", bound


def _string(modifier: str) -> Callable[[StringValue], Statement]:
    if modifier == "exact":
        return lambda value: ("exact = ?", [value.value])
    if modifier == "contains":
        return lambda value: ("instr(value, ?) > 0", [value.value])
    return lambda value: ("(value >= ? AND value < ?)", [value.value, value.value + "\U0010ffff"])


def _marks(values: Any) -> str:
    return ", ".join("?" * len(values))
