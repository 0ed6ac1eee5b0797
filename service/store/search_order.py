"""The order of a search's matches, and places in it (keyset paging: stable while others write)."""

import base64
import binascii
import json
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import accumulate
from typing import Any, TypeVar

from service.errors import InvalidInput
from service.fhir.datetimes import LATEST
from service.fhir.search_filing import LARGEST
from service.fhir.search_query import Sort
from service.store.contract import Page, Query, Version
from service.store.search_match import Dialect, Statement, named

__all__ = ["Key", "begun", "beyond", "fitting", "order", "page_of", "place_of", "position"]

T = TypeVar("T")

_COLUMNS = len(Version.__struct_fields__)
_CONTENT = 6
"""Of a version; the values it is sorted by follow."""
_LAST_TEXT = "\U0010ffff"
_FIRST_TEXT = ""
# Where in a row of each search table the lowest and highest value stand.
_VALUES = {
    "token": (3, 3),
    "string": (3, 3),
    "uri": (3, 3),
    "reference": (1, 1),
    "number": (3, 4),
    "quantity": (3, 4),
}


@dataclass(frozen=True, slots=True)
class Key:
    """One key of the order: its SQL, the values bound in it, what it answers, and whether it falls."""

    sql: str
    values: tuple[Any, ...]
    type: type
    descending: bool = False

    @property
    def turned(self) -> "Key":
        """The same the other way round."""
        return replace(self, descending=not self.descending)


def order(sorts: Iterable[Sort], dialect: Dialect) -> list[Key]:
    """Answer the keys of an order; without a value a resource comes last, in rising and falling order."""
    keys: list[Key] = []
    for sort in sorts:
        if sort.kind == "id":
            keys.append(Key("c.id", (), str, sort.descending))
        elif sort.kind == "updated":
            keys.append(Key("c.updated", (), int, sort.descending))
        elif sort.kind == "date":
            keys.append(_date(sort))
        else:
            keys.append(_other(sort, dialect))
    return keys


def beyond(keys: Sequence[Key], place: Sequence[Any]) -> Statement:
    """Everything after a place: later in the first key, or equal there and later in the next."""
    if not keys:
        return "1 = 0", []
    key, *rest = keys
    deeper, deeper_values = beyond(rest, place[1:])
    mark = "<" if key.descending else ">"
    return (
        f"{key.sql} {mark} ? OR ({key.sql} = ? AND ({deeper}))",
        [*key.values, place[0], *key.values, place[0], *deeper_values],
    )


def page_of(
    query: Query,
    rows: Sequence[Sequence[Any]],
    counted: int | None,
    version: Callable[[Sequence[Any]], Version] = lambda row: Version(*row[:_COLUMNS]),
) -> Page:
    """Answer the page that the rows of ``search_sql.page`` make, one more than asked for if there is.

    ``version`` reads one from its row.
    """
    found = fitting([(row, version(row)) for row in rows[: query.count]], query.most_bytes)
    more = len(rows) > len(found)
    if query.before:
        found.reverse()
    first, last = (_cursor(found[0][0]), _cursor(found[-1][0])) if found else (None, None)
    return Page(
        tuple(one for _, one in found),
        counted,
        last if more or query.before else None,
        first if (more if query.before else query.after) else None,
        tuple(_cursor(row) for row, _ in found) if query.placed else (),
    )


def begun(rows: Iterable[Sequence[Any]], most: int | None) -> list[Sequence[Any]]:
    """Answer the rows until their texts have more than ``most`` bytes, with that one: there are more.

    Where the first alone is too much, the second tells it.
    """
    found: list[Sequence[Any]] = []
    left = most
    for row in rows:
        found.append(row)
        if left is not None and (left := left - len(row[_CONTENT])) < 0 and len(found) > 1:
            break
    return found


def fitting(found: list[tuple[T, Version]], most: int | None) -> list[tuple[T, Version]]:
    """The first of them whose texts have ``most`` bytes together, at least one."""
    if most is None:
        return found
    ends = accumulate(len(one.content) for _, one in found)
    return found[: max(1, sum(end <= most for end in ends))]


def place_of(text: str) -> list[Any]:
    """Answer the values of a position that a page told."""
    place: list[Any] = json.loads(base64.urlsafe_b64decode(text + "=" * (-len(text) % 4)))
    return place


def position(text: str, keys: Sequence[Key]) -> list[Any]:
    """Read a place in an order; InvalidInput unless it can be one."""
    try:
        place: Any = place_of(text)
    except (binascii.Error, ValueError, RecursionError):
        place = None
    if not isinstance(place, list) or len(place) != len(keys):
        raise _refused()
    if not all(_fits(value, key.type) for value, key in zip(place, keys, strict=True)):
        raise _refused()
    return place


def _fits(value: Any, type_: type) -> bool:
    """Whether the store can compare a value with a key of this type."""
    if type_ is str:
        return isinstance(value, str)
    if type(value) is int:
        return abs(value) <= LATEST
    return type_ is float and type(value) is float and abs(value) <= LARGEST


def _cursor(row: Sequence[Any]) -> str:
    return base64.urlsafe_b64encode(json.dumps(list(row[_COLUMNS:])).encode()).decode().rstrip("=")


def _refused() -> InvalidInput:
    return InvalidInput("This page link is not one this service gave; start the search again.")


def _date(sort: Sort) -> Key:
    pick, last = ("max(high)", -LATEST) if sort.descending else ("min(low)", LATEST)
    name, words = named(sort.indexes)
    sql = f"COALESCE((SELECT {pick} FROM date k WHERE k.key = c.key AND {name}), {last})"
    return Key(sql, tuple(words), int, sort.descending)


def _other(sort: Sort, dialect: Dialect) -> Key:
    """By the keys a resource was filed under, which are kept beside it."""
    pick, place = ("max", _VALUES[sort.kind][1]) if sort.descending else ("min", _VALUES[sort.kind][0])
    number = sort.kind in {"number", "quantity"}
    value = f"j.value ->> {place}"
    if number:
        value, last = f"CAST({value} AS DOUBLE PRECISION)", repr(-LARGEST if sort.descending else LARGEST)
    else:
        value, last = (
            dialect.by_code_point.format(value),
            f"'{_FIRST_TEXT if sort.descending else _LAST_TEXT}'",
        )
    name, words = named(sort.indexes, "CAST(j.value ->> 2 AS BIGINT)", column=True)
    rows = f"SELECT {pick}({value}) FROM {dialect.each.format('c.keys')} WHERE j.value ->> 0 = ? AND {name}"
    return Key(f"COALESCE(({rows}), {last})", (sort.kind, *words), float if number else str, sort.descending)
