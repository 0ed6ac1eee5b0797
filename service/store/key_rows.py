"""Search keys as rows of the search tables, the same on every engine."""

from collections.abc import Callable, Iterable, Iterator
from typing import Any

from service.fhir.search_values import (
    DateKey,
    NumberKey,
    QuantityKey,
    SearchKeys,
    StringKey,
    TokenKey,
    UriKey,
)
from service.store.search_match import TEXT_MARK, WIDE

__all__ = ["TABLES", "Row", "by_table", "key_rows", "words_of"]

Row = tuple[Any, ...]
"""A row of a search table, led by the table's name."""
Wide = TokenKey | DateKey | NumberKey | QuantityKey | StringKey | UriKey

TABLES = {
    "token": ("owner", "name", "code", "key", "system", "text", "part"),
    "reference": ("target", "name", "key", "part"),
    "date": ("owner", "name", "low", "high", "key", "part"),
    "number": ("owner", "name", "low", "high", "key", "part"),
    "quantity": ("owner", "name", "low", "high", "key", "code", "system", "part"),
    "string": ("owner", "name", "value", "key", "exact", "part"),
    "uri": ("owner", "name", "value", "key", "part"),
}
"""Columns of each search table, in the order of a ``Row``; together they are its primary key."""


def key_rows(keys: SearchKeys, key: int, number: Callable[[str], int]) -> tuple[int, list[Row]]:
    """Answer the owner of a resource and its rows; ``number`` answers the number of a word, 0 for none."""
    owner = number(f"Patient/{keys.patient}") if keys.patient else 0

    def filed(one: Wide) -> tuple[int, int]:
        return WIDE if one.wide else owner, number(one.name)

    rows: list[Row] = [
        ("token", *filed(one), one.code, key, number(one.system), number(_text(one)), one.part)
        for one in keys.tokens
    ]
    rows += [("reference", one.target, number(one.name), key, one.part) for one in keys.references]
    rows += [("date", *filed(one), one.low, one.high, key, one.part) for one in keys.dates]
    rows += [("number", *filed(one), one.low, one.high, key, one.part) for one in keys.numbers]
    rows += [
        ("quantity", *filed(one), one.low, one.high, key, one.code, number(one.system), one.part)
        for one in keys.quantities
    ]
    rows += [("string", *filed(one), one.value, key, one.exact, one.part) for one in keys.strings]
    rows += [("uri", *filed(one), one.value, key, one.part) for one in keys.uris]
    return owner, rows


def _text(key: TokenKey) -> str:
    return f"{TEXT_MARK}{key.text}" if key.text else ""


def words_of(keys: SearchKeys) -> list[str]:
    """Answer every word that ``key_rows`` asks the number of."""
    asked: list[str] = []

    def number(text: str) -> int:
        asked.append(text)
        return 0

    key_rows(keys, 0, number)
    return asked


def by_table(rows: Iterable[Row]) -> Iterator[tuple[str, list[Row]]]:
    """Answer the rows of each search table without its name.

    All in one order, so that two transactions wait for each other rather than lock up, and neighbours in an
    index are written one after the other.
    """
    found: dict[str, list[Row]] = {}
    for row in rows:
        found.setdefault(row[0], []).append(row[1:])
    for table in sorted(found):
        yield table, sorted(found[table])
