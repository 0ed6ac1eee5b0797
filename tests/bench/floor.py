"""The floor under a write: the rows a store wrote, written again by bare ``sqlite3``."""

import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import msgspec

import service.store

__all__ = ["BareStore", "StoredRows", "last_sequence", "rows_after"]

SCHEMA = Path(service.store.__path__[0]) / "schema.sql"
Rows = list[tuple[Any, ...]]


@dataclass(frozen=True, slots=True)
class StoredRows:
    """Everything one transaction left in the tables of the store."""

    resource: Rows
    current: Rows
    search: dict[str, Rows]


def last_sequence(database: Path) -> int:
    """The sequence number of the last write, 0 if there is none."""
    with _opened(database) as connection:
        (sequence,) = connection.execute("SELECT coalesce(max(sequence), 0) FROM resource").fetchone()
    return int(sequence)


def rows_after(database: Path, sequence: int) -> StoredRows:
    """Read what was written after ``sequence``: versions, newest versions and their search rows."""
    with _opened(database) as connection:
        resource = connection.execute("SELECT * FROM resource WHERE sequence > ?", (sequence,)).fetchall()
        current = connection.execute("SELECT * FROM current WHERE sequence > ?", (sequence,)).fetchall()
    filed = [row for one in current for row in msgspec.json.decode(one[-1])]
    tables = {name for name, *_ in filed}
    search = {table: [tuple(rest) for name, *rest in filed if name == table] for table in tables}
    return StoredRows(resource, current, search)


class BareStore:
    """A database of the same tables and the same care for power cuts, and nothing else."""

    def __init__(self, path: Path) -> None:
        """Open the database, and create the tables of a new one."""
        new = not path.exists()
        self._connection = _opened(path)
        self._connection.execute("PRAGMA journal_mode = WAL")
        self._connection.execute("PRAGMA synchronous = FULL")
        if new:
            self._connection.executescript(SCHEMA.read_text("utf-8"))

    def write(self, rows: StoredRows) -> None:
        """One transaction with one statement a table."""
        self._connection.execute("BEGIN IMMEDIATE")
        for table, values in _tables(rows):
            marks = ", ".join("?" * len(values[0]))
            sql = f"INSERT OR REPLACE INTO {table} VALUES ({marks})"  # noqa: S608 - our own names and marks
            self._connection.executemany(sql, values)
        self._connection.execute("COMMIT")

    def read(self, type_: str, id_: str) -> bytes:
        """The stored text of one resource."""
        sql = (
            "SELECT r.content FROM current c JOIN resource r ON r.sequence = c.sequence "
            "WHERE c.type = ? AND c.id = ?"
        )
        content: bytes = self._connection.execute(sql, (type_, id_)).fetchone()[0]
        return content

    def page(self, type_: str, patient: str, count: int) -> list[tuple[str, bytes]]:
        """Id and text of the first resources of a type that are filed under a patient."""
        sql = (
            "SELECT c.id, r.content FROM current c JOIN resource r ON r.sequence = c.sequence "
            "WHERE c.type = ? AND c.owner = (SELECT max(c.owner) FROM reference k "
            "JOIN current c ON c.key = k.key WHERE k.target = ?) AND NOT c.deleted ORDER BY c.key LIMIT ?"
        )
        return self._connection.execute(sql, (type_, f"Patient/{patient}", count)).fetchall()

    def close(self) -> None:
        """Close the database."""
        self._connection.close()


def _opened(path: Path) -> sqlite3.Connection:
    return sqlite3.connect(path, isolation_level=None)


def _tables(rows: StoredRows) -> Iterator[tuple[str, Rows]]:
    every = {"resource": rows.resource, "current": rows.current, **rows.search}
    return ((table, values) for table, values in every.items() if values)
