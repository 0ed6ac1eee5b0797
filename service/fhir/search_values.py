"""The keys a resource is filed under, one class for each kind of search parameter."""

import unicodedata
from typing import NamedTuple

__all__ = [
    "DateKey",
    "NumberKey",
    "QuantityKey",
    "ReferenceKey",
    "SearchKeys",
    "StringKey",
    "TokenKey",
    "UriKey",
    "fold",
]


class TokenKey(NamedTuple):
    """A code, identifier, boolean or status, filed under the name of an index.

    ``text`` is what is written beside it (folded, each text behind a ``|``). ``part`` is, here and below, the
    number of the repeating part it stands in where parts are searched as a whole, else 0.
    """

    name: str
    system: str
    code: str
    wide: bool = False
    text: str = ""
    part: int = 0


class ReferenceKey(NamedTuple):
    """A reference: ``Type/id`` for this service, else the absolute URL."""

    name: str
    target: str
    part: int = 0


class DateKey(NamedTuple):
    """A date or period as the interval it covers, in UTC milliseconds, upper end exclusive."""

    name: str
    low: int
    high: int
    wide: bool = False
    part: int = 0


class StringKey(NamedTuple):
    """A string as searched (case folded, accents removed) and as written."""

    name: str
    value: str
    exact: str
    wide: bool = True
    part: int = 0


class NumberKey(NamedTuple):
    """A number, or the range it is known to lie in, both ends inclusive."""

    name: str
    low: float
    high: float
    wide: bool = False
    part: int = 0


class QuantityKey(NamedTuple):
    """A number with its unit as sent, or in base units (then ``system`` is ``CANONICAL``)."""

    name: str
    system: str
    code: str
    low: float
    high: float
    wide: bool = False
    part: int = 0


class UriKey(NamedTuple):
    """A URI as written."""

    name: str
    value: str
    wide: bool = False
    part: int = 0


class SearchKeys(NamedTuple):
    """Everything one resource can be found by. ``patient`` is the id of its one Patient, else empty."""

    patient: str = ""
    tokens: tuple[TokenKey, ...] = ()
    references: tuple[ReferenceKey, ...] = ()
    dates: tuple[DateKey, ...] = ()
    strings: tuple[StringKey, ...] = ()
    numbers: tuple[NumberKey, ...] = ()
    quantities: tuple[QuantityKey, ...] = ()
    uris: tuple[UriKey, ...] = ()


def fold(text: str) -> str:
    """Answer the text as strings are compared: case folded, accents removed, spaces joined."""
    if not text.isascii():
        text = "".join(
            mark for mark in unicodedata.normalize("NFKD", text) if not unicodedata.combining(mark)
        )
    return " ".join(text.casefold().split())
