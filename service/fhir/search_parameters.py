"""Search: the parameters each type has, what a resource can be found by, and what a search asks for.

The table is data, ``definitions/search_parameters.json``: the FHIR R4 base search parameters that the stored
types use, by their own names (searchparameter-registry.html), each really indexed.
"""

import json
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Literal

__all__ = [
    "Clause",
    "DateKey",
    "DateValue",
    "Kind",
    "Parameter",
    "ReferenceKey",
    "ReferenceValue",
    "SearchKeys",
    "Sort",
    "StringKey",
    "StringValue",
    "TokenKey",
    "TokenValue",
    "compartment",
    "parameters",
    "stored_types",
]

Kind = Literal["token", "reference", "date", "string", "id", "updated"]
"""``id`` and ``updated`` are ``_id`` and ``_lastUpdated``, which need no keys of their own."""


@dataclass(frozen=True, slots=True)
class Parameter:
    """One search parameter of one type.

    ``name`` is what the caller writes, ``index`` what its keys are filed under (``Observation.subject``
    serves ``patient`` too). ``paths`` are dotted element paths, empty for one that shares another's keys.
    ``targets`` are the types a reference may name. ``system`` is the code system of a ``code`` element.
    ``wide`` ones are filed for searches that name no patient.
    """

    name: str
    kind: Kind
    index: str
    paths: tuple[str, ...] = ()
    targets: tuple[str, ...] = ()
    system: str = ""
    wide: bool = False


@dataclass(frozen=True, slots=True)
class TokenKey:
    """A code, identifier, boolean or status, filed under ``index``."""

    index: str
    system: str
    code: str
    wide: bool = False


@dataclass(frozen=True, slots=True)
class ReferenceKey:
    """A reference: ``Type/id`` for this service, else the absolute URL."""

    index: str
    target: str


@dataclass(frozen=True, slots=True)
class DateKey:
    """A date or period as the interval it covers, in UTC milliseconds, upper end exclusive."""

    index: str
    low: int
    high: int
    wide: bool = False


@dataclass(frozen=True, slots=True)
class StringKey:
    """A string as searched (case folded, accents removed) and as written."""

    index: str
    value: str
    exact: str
    wide: bool = True


@dataclass(frozen=True, slots=True)
class SearchKeys:
    """Everything one resource can be found by. ``patient`` is the id of its one Patient, else empty."""

    patient: str = ""
    tokens: tuple[TokenKey, ...] = ()
    references: tuple[ReferenceKey, ...] = ()
    dates: tuple[DateKey, ...] = ()
    strings: tuple[StringKey, ...] = ()


@dataclass(frozen=True, slots=True)
class TokenValue:
    """A token asked for: ``system`` None where any will do, ``code`` None where any of the system will do."""

    system: str | None
    code: str | None


@dataclass(frozen=True, slots=True)
class ReferenceValue:
    """A reference asked for; any of ``targets`` will do (an id alone may be of several types)."""

    targets: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class DateValue:
    """A date asked for, as interval, and how it is compared; ``ap`` carries the widened interval."""

    prefix: Literal["eq", "ne", "gt", "lt", "ge", "le", "sa", "eb", "ap"]
    low: int
    high: int


@dataclass(frozen=True, slots=True)
class StringValue:
    """A string asked for: folded like the keys, or as written for ``:exact``."""

    value: str


@dataclass(frozen=True, slots=True)
class Clause:
    """One parsed search parameter: all clauses hold together, any of a clause's ``values`` may.

    ``values`` are of the class that belongs to ``kind``; for ``id`` they are strings, for ``updated`` dates.
    """

    index: str
    kind: Kind
    values: tuple[TokenValue | ReferenceValue | DateValue | StringValue | str, ...]
    modifier: Literal["", "not", "exact", "contains"] = ""
    wide: bool = False


@dataclass(frozen=True, slots=True)
class Sort:
    """One key of ``_sort``: ``_id``, ``_lastUpdated`` or the index of a date parameter."""

    index: str
    descending: bool = False


@cache
def parameters(type_: str) -> dict[str, Parameter]:
    """Answer the parameters of a stored type by name, ``_id`` and ``_lastUpdated`` included."""
    table = {name: _parameter(type_, name, row) for name, row in _rows()[type_].items()}
    return {
        "_id": Parameter("_id", "id", "_id"),
        "_lastUpdated": Parameter("_lastUpdated", "updated", "_lastUpdated"),
        **table,
    }


@cache
def compartment(type_: str) -> str:
    """Answer the index of the reference that puts a type into a patient's compartment, empty for none."""
    table = parameters(type_)
    own = table.get("patient") or table.get("subject")
    return own.index if own else ""


@cache
def stored_types() -> tuple[str, ...]:
    """Answer the resource types this service stores: those the table names."""
    return tuple(_rows())


@cache
def _rows() -> dict[str, dict[str, dict[str, object]]]:
    text = (Path(__file__).parent / "definitions" / "search_parameters.json").read_text("utf-8")
    rows: dict[str, dict[str, dict[str, object]]] = json.loads(text)
    return rows


def _parameter(type_: str, name: str, row: dict[str, object]) -> Parameter:
    rest = {key: tuple(value) if isinstance(value, list) else value for key, value in row.items()}
    shared = rest.pop("same_as", name)
    return Parameter(name=name, index=f"{type_}.{shared}", **rest)  # type: ignore[arg-type]  # shapes of our own data
