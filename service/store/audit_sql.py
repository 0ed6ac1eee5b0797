"""The audit trail in SQL: what both engines ask for."""

from collections.abc import Sequence
from typing import Any

from service.errors import InvalidInput, Issue, IssueType, Place
from service.fhir.datetimes import instant
from service.fhir.search_query import Clause, Condition, DateValue, ReferenceValue, Sort, TokenValue, Value
from service.store.audit import AUDIT, Target
from service.store.audit_links import LINK, MOST_NAMED
from service.store.contract import Query, Version
from service.store.search_match import Statement, marks
from service.store.search_order import Key, beyond, position

__all__ = [
    "BEGUN",
    "CHUNK",
    "COLUMNS",
    "EXISTING",
    "HEADS",
    "LATEST_HEADS",
    "SEARCHED",
    "TARGETS",
    "TARGETS_CHUNK",
    "audit_page",
    "audit_total",
    "audit_version",
    "chain_after",
    "falls",
    "targets_after",
    "trail_after",
]

COLUMNS = (
    "chain",
    "place",
    "recorded",
    "type",
    "subtype",
    "action",
    "outcome",
    "agent",
    "subject",
    "hash",
    "content",
)
TARGETS = ("target", "recorded", "chain", "place")
EXISTING = "SELECT 1 FROM audit LIMIT 1"
HEADS = "SELECT chain, place, hash FROM audit_chain"
BEGUN = "SELECT chain, place, recorded, hash FROM audit_begun ORDER BY chain"
LATEST_HEADS = f"{HEADS} WHERE chain <> ? ORDER BY recorded DESC LIMIT {MOST_NAMED}"
CHUNK = 500
TARGETS_CHUNK = 40 * CHUNK
_LIFECYCLE_CODES = f"('{LINK}', 'destroy', 'hold', 'unhold')"

SEARCHED = (
    "_id",
    "_lastUpdated",
    "action",
    "agent",
    "altid",
    "date",
    "entity",
    "outcome",
    "patient",
    "subtype",
    "type",
)
"""The parameters by which AuditEvents are found."""
_REST = "http://terminology.hl7.org/CodeSystem/audit-event-type"
_INTERACTION = "http://hl7.org/fhir/restful-interaction"
_DICOM = "http://dicom.nema.org/resources/ontology/DCM"
_LIFECYCLE = "http://terminology.hl7.org/CodeSystem/iso-21089-lifecycle"
_ACTION = "http://hl7.org/fhir/audit-event-action"
_OUTCOME = "http://hl7.org/fhir/audit-event-outcome"
_TOKENS = {f"{AUDIT}.{name}": name for name in ("type", "subtype", "action", "outcome")} | {
    f"{AUDIT}.altid": "subject"
}
_TIMES = {f"{AUDIT}.date", "Resource._lastUpdated"}
_AGENT, _ENTITY = f"{AUDIT}.agent", f"{AUDIT}.entity"
_NOBODY = "1 = 0"


def audit_page(query: Query) -> Statement:
    """The statement for one page, newest first; a row more than asked for tells that there is a next."""
    where, values = _where(query.clauses)
    keys = _order(query.sort)
    if query.before:
        keys = [one.turned for one in keys]
    if query.after or query.before:
        later, bound = beyond(keys, position(query.after or query.before, keys))
        where, values = f"{where} AND ({later})", [*values, *bound]
    turns = ", ".join(f"{one.sql} {'DESC' if one.descending else 'ASC'}" for one in keys)
    sorted_by = ", ".join(one.sql for one in keys)
    columns = (
        "0, a.recorded, a.chain || '-' || a.place, 0, 0, 0, a.content, '', 0, 0"  # as those of a version
    )
    sql = f"SELECT {columns}, {sorted_by} FROM audit a WHERE {where} ORDER BY {turns} LIMIT ?"
    return sql, [*values, query.count + 1]


def falls(query: Query) -> bool:
    """Whether the rows of ``audit_page`` come latest first."""
    return _order(query.sort)[0].descending is not bool(query.before)


def audit_total(query: Query) -> Statement:
    """The statement that counts what a query finds."""
    where, values = _where(query.clauses)
    return f"SELECT count(*) FROM audit a WHERE {where}", values


def audit_version(row: Sequence[Any]) -> Version:
    """The AuditEvent of a row of ``audit_page``, as the version it always has."""
    return Version(0, AUDIT, row[2], 1, instant(row[1]), "POST", row[6].encode())


def trail_after(place: tuple[int, str, int], until: int, *, links: bool = False) -> Statement:
    """The statement for some rows behind a place (time, chain, place) and before a time, in order.

    ``links``: only those that name the ends of other chains.
    """
    only = f"AND subtype = '{LINK}' " if links else ""
    sql = (
        f"SELECT {', '.join(COLUMNS)} FROM audit WHERE (recorded, chain, place) > (?, ?, ?) "
        f"AND recorded < ? {only}ORDER BY recorded, chain, place LIMIT {CHUNK}"
    )
    return sql, [*place, until]


def chain_after(chain: str, place: int) -> Statement:
    """The statement for some rows behind a place of a chain, chain after chain."""
    sql = (
        f"SELECT {', '.join(COLUMNS)} FROM audit WHERE (chain, place) > (?, ?) "
        f"ORDER BY chain, place LIMIT {CHUNK}"
    )
    return sql, [chain, place]


def targets_after(last: Target) -> Statement:
    """The statement for some of what rows are found by, behind one of them, in order."""
    names = ", ".join(TARGETS)
    behind = f"SELECT {names} FROM audit_target WHERE ({names}) > (?, ?, ?, ?)"
    return f"{behind} ORDER BY {names} LIMIT {TARGETS_CHUNK}", [*last]


def _order(sorts: Sequence[Sort]) -> list[Key]:
    falls = True
    for sort in sorts[:1]:
        if sort.kind != "updated" and sort.indexes != (f"{AUDIT}.date",):
            raise _refused("_sort")
        falls = sort.descending
    return [
        Key("a.recorded", (), int, falls),
        Key("a.chain", (), str, falls),
        Key("a.place", (), int, falls),
    ]


def _where(conditions: Sequence[Condition]) -> Statement:
    parts = ["1 = 1"]
    values: list[Any] = []
    for condition in conditions:
        if not isinstance(condition, Clause) or condition.modifier not in {"", "not"}:
            raise _refused("")
        found = [_one(condition, value) for value in condition.values]
        any_ = " OR ".join(sql for sql, _ in found)
        parts.append(f"NOT ({any_})" if condition.modifier else f"({any_})")
        values += [bound for _, more in found for bound in more]
    return " AND ".join(parts), values


def _one(clause: Clause, value: Value) -> Statement:
    match value:
        case TokenValue() if clause.indexes[0] in _TOKENS:
            return _token(_TOKENS[clause.indexes[0]], value)
        case DateValue() if clause.indexes[0] in _TIMES:
            return _time(value)
        case ReferenceValue() if clause.indexes[0] in {_AGENT, _ENTITY}:
            return _reference(clause.indexes, value.targets)
        case str() if clause.kind == "id":
            chain, _, place = value.rpartition("-")
            known = place.isascii() and place.isdigit() and len(place) < 19
            return ("a.chain = ? AND a.place = ?", [chain, int(place)]) if known else (_NOBODY, [])
        case _:
            raise _refused(clause.indexes[0].rpartition(".")[2])


def _reference(indexes: Sequence[str], targets: Sequence[str]) -> Statement:
    parts: list[str] = []
    if _AGENT in indexes:
        parts.append(f"a.agent IN ({marks(targets)})")
    if _ENTITY in indexes:
        found = f"SELECT chain, place FROM audit_target WHERE target IN ({marks(targets)})"
        parts.append(f"(a.chain, a.place) IN ({found})")
    return " OR ".join(parts), [*targets] * len(parts)


def _token(column: str, value: TokenValue) -> Statement:
    if column == "subject":
        return ("a.subject = ?", [value.code]) if value.code and not value.system else (_NOBODY, [])
    parts: list[str] = []
    values: list[Any] = []
    if value.code is not None:
        parts, values = [f"a.{column} = ?"], [value.code]
    if value.system is not None:
        parts.append(_of_system(column, value.system))
    return " AND ".join(parts), values


def _of_system(column: str, system: str) -> str:
    """Codes of DICOM are numbers; which of the others is whose follows from where it stands."""
    number = f"a.{column} BETWEEN '1' AND '2'"
    others = {"type": _REST, "subtype": _INTERACTION, "action": _ACTION, "outcome": _OUTCOME}
    if column in {"type", "subtype"} and system == _DICOM:
        return number
    if column == "subtype" and system == _LIFECYCLE:
        return f"a.subtype IN {_LIFECYCLE_CODES}"
    if system != others[column]:
        return _NOBODY
    own = f"NOT {number} AND a.{column} NOT IN {_LIFECYCLE_CODES}"
    return own if column in {"type", "subtype"} else "1 = 1"


def _time(value: DateValue) -> Statement:
    """A moment compared with an interval (search.html#prefix)."""
    match value.prefix:
        case "eq" | "ap":
            return "a.recorded >= ? AND a.recorded < ?", [value.low, value.high]
        case "ne":
            return "NOT (a.recorded >= ? AND a.recorded < ?)", [value.low, value.high]
        case "gt" | "sa":
            return "a.recorded >= ?", [value.high]
        case "lt" | "eb":
            return "a.recorded < ?", [value.low]
        case "ge":
            return "a.recorded >= ?", [value.low]
        case "le":
            return "a.recorded < ?", [value.high]


def _refused(name: str) -> InvalidInput:
    text = (
        f"AuditEvents are found by {', '.join(SEARCHED)} and sorted by date; of modifiers there is ':not', "
        "and nothing is chained."
    )
    place = Place(expression=f"http.{name}" if name else "")
    return InvalidInput(Issue(text, code=IssueType.NOT_SUPPORTED, place=place))
