"""Search: what a resource can be found by, and what a search asks for."""

from dataclasses import dataclass
from typing import Literal

__all__ = ["Clause", "DateKey", "ReferenceKey", "SearchKeys", "Sort", "StringKey", "TokenKey"]


@dataclass(frozen=True, slots=True)
class TokenKey:
    """A code, identifier, boolean or status under a parameter's name."""

    name: str
    system: str
    code: str


@dataclass(frozen=True, slots=True)
class ReferenceKey:
    """A reference under a parameter's name: ``Type/id`` for this service, else the absolute URL."""

    name: str
    target: str


@dataclass(frozen=True, slots=True)
class DateKey:
    """A date or period as the interval it covers, in UTC milliseconds, upper end exclusive."""

    name: str
    low: int
    high: int


@dataclass(frozen=True, slots=True)
class StringKey:
    """A string as searched: case folded, accents removed."""

    name: str
    value: str


@dataclass(frozen=True, slots=True)
class SearchKeys:
    """Everything one resource can be found by. ``patient`` is the id of its Patient, empty for none."""

    patient: str = ""
    tokens: tuple[TokenKey, ...] = ()
    references: tuple[ReferenceKey, ...] = ()
    dates: tuple[DateKey, ...] = ()
    strings: tuple[StringKey, ...] = ()


@dataclass(frozen=True, slots=True)
class Clause:
    """One parsed search parameter: all clauses hold together, any of a clause's ``values`` may.

    ``values`` are keys of the clause's kind; a token's ``system`` is None where the caller gave none. For
    dates ``prefix`` of each value is kept beside it.
    """

    name: str
    kind: Literal["token", "reference", "date", "string"]
    values: tuple[object, ...]
    modifier: str = ""


@dataclass(frozen=True, slots=True)
class Sort:
    """One key of ``_sort``."""

    name: str
    descending: bool = False
