"""Statements that write many rows at once on PostgreSQL: one array a column."""

from collections.abc import Iterable, Iterator, Sequence
from typing import Any

from service.store.key_rows import TABLES, Row, by_table
from service.store.postgres_words import GENERATION

__all__ = [
    "DATABASE_TYPES",
    "INSERT_CURRENT",
    "RESOURCE",
    "UPDATE_CURRENT",
    "columns_of",
    "deletions",
    "insertions",
]

DATABASE_TYPES = {
    "owner": "bigint",
    "name": "bigint",
    "key": "bigint",
    "system": "bigint",
    "text": "bigint",
    "part": "bigint",
    "low": "bigint",
    "high": "bigint",
    "code": "text",
    "target": "text",
    "value": "text",
    "exact": "text",
}
"""Type of each column of the search tables; numbers and quantities differ."""
_MEASURES = {"low": "double precision", "high": "double precision"}


def types_of(table: str) -> dict[str, str]:
    """Answer the type of each column that a search table may have."""
    return DATABASE_TYPES | (_MEASURES if table in {"number", "quantity"} else {})


def _insert(table: str, types: dict[str, str]) -> str:
    arrays = ", ".join(f"${place}::{type_}[]" for place, type_ in enumerate(types.values(), 1))
    return f"INSERT INTO {table} ({', '.join(types)}) SELECT * FROM unnest({arrays})"


INSERT_CURRENT = _insert(
    "current",
    {
        "key": "bigint",
        "type": "text",
        "id": "text",
        "owner": "bigint",
        "sequence": "bigint",
        "version": "bigint",
        "updated": "bigint",
        "deleted": "boolean",
        "keys": "jsonb",
    },
)
RESOURCE = (
    _insert(
        "resource",
        {
            "sequence": "bigint",
            "key": "bigint",
            "version": "bigint",
            "last_updated": "text",
            "method": "text",
            "content": "text",
            "labelled": "boolean",
        },
    )
    + f" RETURNING {GENERATION}"
)
UPDATE_CURRENT = (
    "UPDATE current SET type = $2, id = $3, owner = $4, sequence = $5, version = $6, updated = $7, "
    "deleted = $8, keys = $9 WHERE key = $1"
)
_INSERTS = {
    table: _insert(table, {name: types_of(table)[name] for name in names}) for table, names in TABLES.items()
}
_DELETES = {
    table: f"DELETE FROM {table} WHERE "
    + " AND ".join(f"{name} = ${place}" for place, name in enumerate(names, 1))
    for table, names in TABLES.items()
}


def columns_of(rows: Sequence[Sequence[Any]]) -> list[list[Any]]:
    """Answer the rows turned round: one list a column."""
    return [list(column) for column in zip(*rows, strict=True)]


def insertions(rows: Iterable[Row]) -> Iterator[tuple[str, list[list[Any]]]]:
    """Answer per search table the statement that files its rows, and its columns."""
    for table, chosen in by_table(rows):
        yield _INSERTS[table], columns_of(chosen)


def deletions(rows: Iterable[Row]) -> Iterator[tuple[str, list[Row]]]:
    """Answer per search table the statement that takes back one row, and the rows."""
    for table, chosen in by_table(rows):
        yield _DELETES[table], chosen
