"""Search keys as rows of the search tables, the same on every engine."""

from collections.abc import Callable
from typing import Any

from service.fhir.search_parameters import SearchKeys
from service.store.search_sql import WIDE

__all__ = ["TABLES", "Row", "key_rows", "words_of"]

Row = tuple[Any, ...]
"""A row of a search table, led by the table's name."""

TABLES = {
    "token": ("owner", "name", "code", "key", "system"),
    "reference": ("target", "name", "key"),
    "date": ("owner", "name", "low", "high", "key"),
    "string": ("owner", "name", "value", "key", "exact"),
}
"""Columns of each search table, in the order of a ``Row``; together they are its primary key."""


def key_rows(keys: SearchKeys, key: int, number: Callable[[str], int]) -> tuple[int, list[Row]]:
    """Answer the owner of a resource and its rows; ``number`` answers the number of a word."""
    owner = number(f"Patient/{keys.patient}") if keys.patient else 0
    rows: list[Row] = []
    for token in keys.tokens:
        filed = WIDE if token.wide else owner
        rows.append(("token", filed, number(token.index), token.code, key, number(token.system)))
    rows += [("reference", one.target, number(one.index), key) for one in keys.references]
    for date in keys.dates:
        rows.append(("date", WIDE if date.wide else owner, number(date.index), date.low, date.high, key))
    for text in keys.strings:
        filed = WIDE if text.wide else owner
        rows.append(("string", filed, number(text.index), text.value, key, text.exact))
    return owner, rows


def words_of(keys: SearchKeys) -> list[str]:
    """Answer every word that ``key_rows`` asks the number of."""
    asked: list[str] = []

    def number(text: str) -> int:
        asked.append(text)
        return 0

    key_rows(keys, 0, number)
    return asked
