"""What makes a key match a value asked for, as SQL, for each kind of search parameter."""

import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from service.fhir.search_filing import CANONICAL
from service.fhir.search_query import (
    Clause,
    DateValue,
    NumberValue,
    QuantityValue,
    ReferenceValue,
    StringValue,
    TokenValue,
    UriValue,
)

__all__ = [
    "SQLITE",
    "TEXT_MARK",
    "WIDE",
    "WORD",
    "Dialect",
    "Statement",
    "any_of",
    "marks",
    "match",
    "missing",
    "named",
    "updated",
]

WIDE = -1
"""The owner under which wide keys are filed."""
TEXT_MARK = "~"
"""Leads the words that are texts beside codes."""
WORD = "(SELECT key FROM word WHERE text = ?)"

Statement = tuple[str, list[Any]]
"""SQL text and its values."""


@dataclass(frozen=True, slots=True)
class Dialect:
    """What the engines say differently.

    ``no_index`` before a column keeps it from leading the plan. ``each`` makes the rows ``j(value)`` of the
    array in ``{}``, ``within`` tells whether text ``{0}`` contains ``{1}``, ``by_code_point`` makes the text
    in ``{}`` compare like that, ``size`` is the bytes of the text in ``{}``; empty where rows are read one by
    one, so that nobody has to measure before. ``fresh`` answers the numbers of words with a text in them that
    the tables do not show yet.
    """

    no_index: str = "+"
    each: str = "json_each({}) j"
    within: str = "instr({0}, {1}) > 0"
    by_code_point: str = "{}"
    size: str = ""
    fresh: Callable[[str], list[int]] = lambda _: []


SQLITE = Dialect()

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
_NUMBER_RULES = {
    "eq": "({low} >= ?a AND {high} < ?b)",
    "ne": "NOT ({low} >= ?a AND {high} < ?b)",
    "gt": "{high} > ?x",
    "lt": "{low} < ?x",
    "ge": "{high} >= ?x",
    "le": "{low} <= ?x",
    "sa": "{low} > ?x",
    "eb": "{high} < ?x",
    "ap": "({high} >= ?a AND {low} <= ?b)",
}
"""For a target [low, high], mostly one point, and a search value x whose digits cover [a, b)."""
# Where in a row of each table (led by the table's name and, but for references, its owner) the value stands.
_REFERENCE_TARGET = 1
_NAME = 2


def match(clause: Clause, alias: str, dialect: Dialect) -> Statement:
    """Whether a key (of table ``alias``) is one of the values of a clause."""
    if clause.kind == "token" and clause.modifier != "text":
        return _tokens([value for value in clause.values if isinstance(value, TokenValue)], alias)
    rules: dict[str, Callable[[Any], Statement]] = {
        "token": lambda value: _text(value, alias, dialect),
        "date": lambda value: _date(value, f"{alias}.low", f"{alias}.high"),
        "number": lambda value: _number(value, alias),
        "quantity": lambda value: _quantity(value, alias),
        "string": lambda value: _string(value, clause.modifier, alias, dialect),
        "uri": lambda value: _uri(value, clause.modifier, alias),
        "reference": lambda value: _reference(value, alias),
    }
    return any_of([rules[clause.kind](value) for value in clause.values])


def missing(clause: Clause, alias: str, dialect: Dialect) -> Statement:
    """Whether a resource has no key under the clause's indexes, or has one."""
    if clause.kind in {"id", "updated"}:  # nothing is without them
        return ("1 = 0" if clause.values[0] else "1 = 1"), []
    name, words = named(clause.indexes, f"CAST(j.value ->> {_NAME} AS BIGINT)", column=True)
    rows = f"SELECT 1 FROM {dialect.each.format(f'{alias}.keys')} WHERE j.value ->> 0 = ? AND {name}"
    bound: list[Any] = [clause.kind, *words]
    if clause.targets and clause.kind == "reference":
        target = f"j.value ->> {_REFERENCE_TARGET}"
        # Addresses elsewhere count for any type.
        rows += (
            " AND (" + " OR ".join(f"{target} LIKE ?" for _ in clause.targets) + f" OR {target} LIKE '%://%')"
        )
        bound += [f"{type_}/%" for type_ in clause.targets]
    return f"{'NOT ' if clause.values[0] else ''}EXISTS ({rows})", bound


def named(indexes: Sequence[str], alias: str = "k", *, column: bool = False) -> Statement:
    """Whether a key of table ``alias`` is filed under one of ``indexes``; ``column``: the name itself.

    Under none of none: a compartment holds types that nothing leads to it.
    """
    if not indexes:
        return "1 = 0", []
    place = alias if column else f"{alias}.name"
    if len(indexes) == 1:
        return f"{place} = {WORD}", list(indexes)
    return f"{place} IN ({', '.join([WORD] * len(indexes))})", list(indexes)


def any_of(parts: Sequence[Statement]) -> Statement:
    """Any of the conditions."""
    return "(" + " OR ".join(sql for sql, _ in parts) + ")", [
        value for _, values in parts for value in values
    ]


def updated(clause: Clause, alias: str) -> Statement:
    """A moment as a target of one millisecond, with the plain bounds an index can serve."""
    place = f"{alias}.updated"
    parts: list[Statement] = []
    for value in clause.values:
        assert isinstance(value, DateValue)  # noqa: S101 - so says the contract of Clause
        rule, bound = _date(value, place, f"({place} + 1)")
        if value.prefix in {"eq", "gt", "ge", "sa"}:
            rule, bound = f"{place} >= ? AND {rule}", [value.low, *bound]
        if value.prefix in {"eq", "lt", "le", "eb"}:
            rule, bound = f"{place} < ? AND {rule}", [value.high, *bound]
        parts.append((f"({rule})", bound))
    return any_of(parts)


def marks(values: Iterable[Any]) -> str:
    """A question mark for each value."""
    return ", ".join("?" for _ in values)


def _tokens(values: Sequence[TokenValue], alias: str) -> Statement:
    """All codes of one system in one list, so that long lists stay cheap."""
    codes: dict[str | None, list[str]] = {}
    whole: list[Statement] = []
    for value in values:
        if value.code is None:
            whole.append((f"{alias}.system = {WORD}", [value.system]))
        else:
            codes.setdefault(value.system, []).append(value.code)
    parts = [_codes(system, listed, alias) for system, listed in codes.items()]
    return any_of([*parts, *whole])


def _codes(system: str | None, codes: list[str], alias: str) -> Statement:
    listed = f"{alias}.code IN ({marks(codes)})"
    if system is None:
        return listed, codes
    if not system:
        return f"({listed} AND {alias}.system = 0)", codes
    return f"({listed} AND {alias}.system = {WORD})", [*codes, system]


def _text(value: StringValue, alias: str, dialect: Dialect) -> Statement:
    """The texts beside codes are words, and far fewer than the codes they stand beside."""
    within = dialect.within.format("text", "?")
    words = f"{alias}.text IN (SELECT key FROM word WHERE text >= ? AND text < ? AND {within})"
    text = f"|{value.value}"
    fresh = dialect.fresh(text)
    return any_of(
        [
            (words, [TEXT_MARK, chr(ord(TEXT_MARK) + 1), text]),
            *([(f"{alias}.text IN ({marks(fresh)})", [*fresh])] if fresh else []),
        ]
    )


def _date(value: DateValue, low: str, high: str) -> Statement:
    return _bound(_DATE_RULES[value.prefix].format(low=low, high=high), a=value.low, b=value.high)


def _number(value: NumberValue, alias: str) -> Statement:
    rule = _NUMBER_RULES[value.prefix].format(low=f"{alias}.low", high=f"{alias}.high")
    return _bound(rule, a=value.low, b=value.high, x=value.exact)


def _bound(rule: str, **values: float) -> Statement:
    bound = [values[mark] for mark in re.findall(r"\?([abx])", rule)]
    return re.sub(r"\?[abx]", "?", rule), bound


def _quantity(value: QuantityValue, alias: str) -> Statement:
    rule, bound = _number(value.number, alias)
    if value.system:
        unit, more = f"{alias}.code = ? AND {alias}.system = {WORD}", [value.code, value.system]
    else:
        unit, more = f"{alias}.system <> coalesce({WORD}, -1)", [CANONICAL]  # no such word yet: all differ
        if value.code:
            unit, more = f"{unit} AND {alias}.code = ?", [*more, value.code]
    parts: list[Statement] = [(f"({rule} AND {unit})", [*bound, *more])]
    if value.canonical is not None:
        number, code = value.canonical
        rule, bound = _number(number, alias)
        unit = f"{alias}.code = ? AND {alias}.system = {WORD}"
        parts.append((f"({rule} AND {unit})", [*bound, code, CANONICAL]))
    return any_of(parts)


def _string(value: StringValue, modifier: str, alias: str, dialect: Dialect) -> Statement:
    if modifier == "exact":
        return f"{alias}.exact = ?", [value.value]
    if modifier == "contains":
        return dialect.within.format(f"{alias}.value", "?"), [value.value]
    return _beginning(f"{alias}.value", value.value)


def _uri(value: UriValue, modifier: str, alias: str) -> Statement:
    if modifier == "below":
        return _beginning(f"{alias}.value", value.value)
    return f"{alias}.value = ?", [value.value]


def _beginning(place: str, text: str) -> Statement:
    return f"({place} >= ? AND {place} < ?)", [text, text + "\U0010ffff"]


def _reference(value: ReferenceValue, alias: str) -> Statement:
    return f"{alias}.target IN ({marks(value.targets)})", list(value.targets)
