"""A search as one SQL statement.

Keys are filed by patient first, so a search that names one patient reads that patient's keys only, however
many others there are; wide keys (identifier, names, …) are filed together and found without a patient, as
are those of types that belong to no patient. What is left, a narrow key without a patient, walks the type's
current resources and probes each one's keys.
"""

from collections.abc import Sequence
from functools import cache
from typing import Any

from service.fhir.search_parameters import compartment, is_owned, patient_parameter
from service.fhir.search_query import (
    AnyOf,
    Chain,
    Clause,
    Condition,
    Has,
    Linked,
    Not,
    OfPatient,
    OfType,
    ReferenceValue,
    Together,
)
from service.fhir.withholding import FROM_USE, WITHHOLDS
from service.store.contract import Query
from service.store.search_match import (
    SQLITE,
    WIDE,
    WORD,
    Dialect,
    Statement,
    any_of,
    marks,
    match,
    missing,
    named,
    updated,
)
from service.store.search_order import Key, beyond, order, position

__all__ = [
    "COLUMNS",
    "SQLITE",
    "WIDE",
    "Dialect",
    "Statement",
    "columns",
    "holding",
    "kept_columns",
    "page",
    "patient_of",
    "texts",
    "total",
]

_PATIENT = "coalesce((SELECT substr(text, 9) FROM word WHERE key = {0}.owner), '')"
_RESTRICTED = (
    "EXISTS (SELECT 1 FROM token w WHERE w.owner = {0}.owner AND {0}.owner <> 0 "
    f"AND w.name = (SELECT key FROM word WHERE text = '{WITHHOLDS}') AND w.code = '{FROM_USE}')"
)
_KEPT = "r.sequence, {0}.type, {0}.id, r.version, r.last_updated, r.method, r.content"
COLUMNS = f"{_KEPT}, {_PATIENT}, {_RESTRICTED}, r.labelled"
"""Of a Version, in the order of its fields."""
columns = COLUMNS.format("c")
kept_columns = _KEPT.format("c")
"""Without what follows from other resources."""


def patient_of(alias: str) -> str:
    """The id of the one patient a row of the table current is about, empty for none and for several."""
    return _PATIENT.format(alias)


def page(query: Query, dialect: Dialect = SQLITE) -> Statement:
    """The statement for one page; one row more than asked for tells whether there is a page behind it.

    After ``columns`` each row carries the values it is sorted by, for ``search_order.cursor``. A page
    ``before`` a position comes in falling order.
    """
    where, values = _where(query, dialect)
    key = (
        "c.key" if _patient(query) is None else f"{dialect.no_index}c.key"
    )  # go by the patient, not the order
    keys = [*order(query.sort, dialect), Key(key, (), int)]
    if query.before:
        keys = [one.turned for one in keys]
    if query.after or query.before:
        later, bound = beyond(keys, position(query.after or query.before, keys))
        where, values = f"{where} AND ({later})", [*values, *bound]
    turns = ["DESC" if one.descending else "ASC" for one in keys]
    inner = ", ".join(f"{one.sql} AS k{number}" for number, one in enumerate(keys))
    by = ", ".join(f"{number} {turn}" for number, turn in enumerate(turns, 5))
    # Only what is sorted by is carried through the sort; the texts are fetched for the page alone.
    picked = f"c.sequence, c.type, c.id, c.owner, {inner}"
    found = f"SELECT {picked} FROM current c WHERE {where} ORDER BY {by} LIMIT ?"
    names = ", ".join(f"page.k{number}" for number in range(len(keys)))
    turned = ", ".join(f"page.k{number} {turn}" for number, turn in enumerate(turns))
    head, rows = texts(found, turned, query.most_bytes, dialect)
    sql = f"{head} SELECT {COLUMNS.format('page')}, {names} FROM {rows} ORDER BY {turned}"
    return sql, [*(value for one in keys for value in one.values), *values, query.count + 1]


def texts(found: str, order: str, most_bytes: int | None, dialect: Dialect) -> tuple[str, str]:
    """Answer the head of a statement and what it selects from: the rows ``found`` with their versions.

    They are called ``page`` and ``r``. Where the engine answers all rows at once, these are as many, in
    ``order``, as ``search_order.begun`` takes. (Named ahead, not nested, for parsers that go only so deep.)
    """
    its = "JOIN resource {0} ON {0}.sequence = page.sequence"
    if most_bytes is None or not dialect.size:
        return f"WITH page AS ({found})", f"page {its.format('r')}"
    size = dialect.size.format("t.content")
    ahead = f"sum({size}) OVER (ORDER BY {order} ROWS UNBOUNDED PRECEDING) - {size} AS ahead"
    place = f"row_number() OVER (ORDER BY {order}) AS place"
    measured = f"SELECT page.*, {ahead}, {place} FROM found page {its.format('t')}"
    fits = f"(page.ahead <= {most_bytes:d} OR page.place = 2)"
    return f"WITH found AS ({found}), page AS ({measured})", f"page {its.format('r')} AND {fits}"


def total(query: Query, dialect: Dialect = SQLITE) -> Statement:
    """The statement that counts every match."""
    where, values = _where(query, dialect)
    return f"SELECT count(*) FROM current c WHERE {where}", values


def _where(query: Query, dialect: Dialect) -> Statement:
    patient = _patient(query)
    types = (query.type, *query.also)
    scope = _Scope(types, patient, "c", dialect)
    parts = [scope.condition(one) for one in query.clauses]
    # Where a list of keys leads, neither type nor owner should.
    plus = dialect.no_index if any(sql.startswith("c.key IN") for sql, _ in parts) else ""
    head: list[Statement] = [(f"{plus}c.type IN ({marks(types)}) AND NOT c.deleted", list(types))]
    if patient is not None:
        head.append((f"{plus}c.owner IN (0, {WORD})", [patient]))
    every = [*head, *parts]
    return " AND ".join(sql for sql, _ in every), [value for _, values in every for value in values]


def holding(
    conditions: Sequence[Condition], types: tuple[str, ...], alias: str, dialect: Dialect
) -> Statement:
    """Whether all conditions hold of the resource that ``alias`` of the table current names."""
    parts = [_Scope(types, None, alias, dialect).condition(one) for one in conditions]
    return " AND ".join(sql for sql, _ in parts) or "1 = 1", [one for _, values in parts for one in values]


def _patient(query: Query) -> str | None:
    """The one patient a search is about, as ``Patient/id``."""
    for clause in query.clauses:
        if isinstance(clause, Clause) and (target := _one_patient(clause)):
            ways = frozenset().union(*map(_ways, (query.type, *query.also)))
            if ways.issuperset(clause.indexes):
                return target
    return None


def _one_patient(clause: Clause) -> str:
    """The patient a reference clause names, empty for none and for several."""
    if clause.kind != "reference" or clause.modifier:
        return ""
    targets = _targets(clause)
    return targets[0] if len(targets) == 1 and targets[0].startswith("Patient/") else ""


@cache
def _ways(type_: str) -> frozenset[str]:
    """The indexes that put a resource into a patient's compartment, where the type says whose it is."""
    if patient_parameter(type_) is None:
        return frozenset()
    return frozenset(index for parameter in compartment("Patient")[type_] for index in parameter.indexes)


def _targets(clause: Clause) -> list[str]:
    return [
        target for value in clause.values if isinstance(value, ReferenceValue) for target in value.targets
    ]


class _Scope:
    """The resources conditions are about: their types, their patient if one is known, their alias in SQL."""

    def __init__(self, types: tuple[str, ...], patient: str | None, alias: str, dialect: Dialect) -> None:
        self._types = types
        self._patient = patient
        self._alias = alias
        self._dialect = dialect
        self._unowned = not any(map(is_owned, types))

    def condition(self, condition: Condition) -> Statement:
        """The SQL of one condition."""
        match condition:
            case Clause():
                return self._clause(condition)
            case Chain():
                return self._chain(condition)
            case Has():
                return self._has(condition)
            case OfPatient():
                return self._of_patient(condition)
        return self._combined(condition)

    def _combined(self, condition: Together | AnyOf | Not | OfType) -> Statement:
        match condition:
            case Together():
                return any_of([self._together(*pair) for pair in condition.pairs])
            case AnyOf():
                return self._any_of(condition)
            case Not():
                sql, values = self.condition(condition.condition)
                return f"NOT ({sql})", values
        return f"{self._alias}.type IN ({marks(condition.types)})", list(condition.types)

    def _any_of(self, condition: AnyOf) -> Statement:
        ways = [[self.condition(one) for one in way] for way in condition.ways]
        return any_of(
            [
                (" AND ".join(sql for sql, _ in way) or "1 = 1", [one for _, values in way for one in values])
                for way in ways
            ]
            or [("1 = 0", [])]
        )

    def _of_patient(self, condition: OfPatient) -> Statement:
        inner = self._alias + "p"
        ways: list[str] = []
        bound: list[Any] = []
        for end in condition.ends:
            sql, values = self._end(end, inner)
            ways.append(f"SELECT {inner}.owner FROM current {inner} WHERE {sql} AND {inner}.owner <> 0")
            bound += values
        return f"{self._alias}.owner IN ({' UNION ALL '.join(ways)})", bound

    def _end(self, end: Linked, alias: str) -> Statement:
        """Whether what ``alias`` names is such a resource."""
        sql, values = _Scope((end.type,), None, alias, self._dialect).condition(end.condition)
        return f"{alias}.type = ? AND NOT {alias}.deleted AND {sql}", [end.type, *values]

    def _clause(self, clause: Clause) -> Statement:
        if clause.modifier == "missing":
            return missing(clause, self._alias, self._dialect)
        match clause.kind:
            case "id":
                return f"{self._alias}.id IN ({marks(clause.values)})", list(clause.values)
            case "updated":
                return updated(clause, self._alias)
            case "reference":
                return self._reference(clause)
        return self._filed(clause)

    def _reference(self, clause: Clause) -> Statement:
        targets = _targets(clause)
        name, words = named(clause.indexes)
        found = f"SELECT key FROM reference k WHERE target IN ({marks(targets)}) AND {name}"
        sql = f"{self._alias}.key IN ({found})"
        if self._patient is None or targets != [self._patient]:
            return sql, [*targets, *words]
        probe = f"EXISTS ({found} AND k.key = {self._alias}.key)"
        own = (patient_parameter(type_) for type_ in self._types)
        if all(one is not None and set(one.indexes) <= set(clause.indexes) for one in own):
            probe = f"({self._alias}.owner <> 0 OR {probe})"  # owned by one patient: that says it already
        return probe, [*targets, *words]

    def _filed(self, clause: Clause) -> Statement:
        """A condition on the keys of one kind, by the way that reads fewest of them."""
        inner, values = match(clause, "k", self._dialect)
        name, words = named(clause.indexes)
        no = "NOT " if clause.modifier == "not" else ""
        table = f"SELECT key FROM {clause.kind} k WHERE {name} AND {inner}"
        bound = [*words, *values]
        if clause.wide is None:  # of types that are filed in different ways
            sides = f"owner IN ({WIDE}, {self._alias}.owner)"
            return f"{no}EXISTS ({table} AND {sides} AND k.key = {self._alias}.key)", bound
        if self._unowned or (clause.wide and self._patient is None):
            return f"{self._alias}.key {no}IN ({table} AND owner = {WIDE if clause.wide else 0})", bound
        if not clause.wide and self._patient is not None:
            return f"{self._alias}.key {no}IN ({table} AND owner IN (0, {WORD}))", [*bound, self._patient]
        owner = str(WIDE) if clause.wide else f"{self._alias}.owner"
        return f"{no}EXISTS ({table} AND owner = {owner} AND k.key = {self._alias}.key)", bound

    def _together(self, first: Clause, second: Clause) -> Statement:
        """Both parts of a composite in the same part of the resource."""
        (one, ones), (other, others) = match(first, "k", self._dialect), match(second, "l", self._dialect)
        (name, words), (other_name, other_words) = named(first.indexes), named(second.indexes, "l")
        table = (
            f"SELECT k.key FROM {first.kind} k JOIN {second.kind} l ON l.key = k.key AND l.part = k.part "
            f"WHERE {name} AND {one} AND {other_name} AND {other}"
        )
        bound = [*words, *ones, *other_words, *others]
        owned = [alias for alias, clause in (("k", first), ("l", second)) if clause.kind != "reference"]
        for alias in owned:
            if self._unowned:  # composites' parts are never wide
                table += f" AND {alias}.owner = 0"
            elif self._patient is not None:
                table += f" AND {alias}.owner IN (0, {WORD})"
                bound.append(self._patient)
            else:
                table += f" AND {alias}.owner = {self._alias}.owner AND {alias}.key = {self._alias}.key"
        listed = self._unowned or self._patient is not None
        return (f"{self._alias}.key IN ({table})" if listed else f"EXISTS ({table})"), bound

    def _chain(self, chain: Chain) -> Statement:
        name, words = named(chain.indexes)
        inner = self._alias + "c"
        ways: list[str] = []
        bound: list[Any] = []
        for end in chain.ends:
            sql, values = self._end(end, inner)
            joined = f"current {inner} JOIN reference k ON k.target = '{end.type}/' || {inner}.id"
            ways.append(f"SELECT k.key FROM {joined} WHERE {sql} AND {name}")
            bound += [*values, *words]
        return f"{self._alias}.key IN ({' UNION ALL '.join(ways)})", bound

    def _has(self, has: Has) -> Statement:
        name, words = named(has.indexes)
        inner = self._alias + "h"
        sql, values = self._end(has.by, inner)
        at = f"{self._alias}.type || '/' || {self._alias}.id"
        table = (
            f"SELECT 1 FROM reference k JOIN current {inner} ON {inner}.key = k.key "
            f"WHERE k.target = {at} AND {name} AND {sql}"
        )
        return f"EXISTS ({table})", [*words, *values]
