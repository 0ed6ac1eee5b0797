"""Reads and writes inside one SQLite transaction; the connection is passed in."""

from collections.abc import Callable, Iterable, Sequence
from typing import Any, Literal, Protocol

import msgspec

from service.errors import Conflict, NotFound
from service.fhir.datetimes import instant
from service.fhir.json import stamp
from service.fhir.search_parameters import stored_types
from service.fhir.search_values import SearchKeys
from service.store.contract import Page, Query, Version, VisitKey
from service.store.key_rows import TABLES, Row, key_rows
from service.store.search_match import WIDE
from service.store.search_order import page_of
from service.store.search_sql import columns, page, total

__all__ = ["Connection", "SqliteTransaction", "Words", "read_newest", "run_search"]

_CURRENT = f"SELECT {columns} FROM current c JOIN resource r ON r.sequence = c.sequence"
_INSERTS = {
    table: f"INSERT INTO {table} ({', '.join(names)}) VALUES ({', '.join('?' * len(names))})"
    for table, names in TABLES.items()
}
_DELETES = {
    table: f"DELETE FROM {table} WHERE {' AND '.join(f'{name} = ?' for name in names)}"
    for table, names in TABLES.items()
}


class Connection(Protocol):
    """The part of a database connection that is needed here."""

    def execute(self, sql: str, parameters: Sequence[Any] = ..., /) -> Any:
        """Run one statement."""
        ...

    def executemany(self, sql: str, parameters: Iterable[Sequence[Any]], /) -> Any:
        """Run one statement for many rows."""
        ...


def read_newest(connection: Connection, type_: str, id_: str) -> Version | None:
    """Answer the newest version, a deletion included."""
    row = connection.execute(f"{_CURRENT} WHERE c.type = ? AND c.id = ?", (type_, id_)).fetchone()
    return Version(*row) if row else None


def run_search(connection: Connection, query: Query) -> Page:
    """Answer one page."""
    rows = connection.execute(*page(query)).fetchall() if query.count else []
    counted = connection.execute(*total(query)).fetchone()[0] if query.total == "accurate" else None
    return page_of(query, rows, counted)


class Words:
    """Numbers of the repeating texts, remembered; ``forget`` takes back what a rolled back work added."""

    def __init__(self, connection: Connection) -> None:
        """Start with nothing remembered."""
        self._connection = connection
        self._known: dict[str, int] = {"": 0}
        self._fresh: list[str] = []

    def number(self, text: str) -> int:
        """Answer the number of a text, giving it one if it is new; 0 for none."""
        known = self._known.get(text)
        if known is not None:
            return known
        self._connection.execute("INSERT OR IGNORE INTO word (text) VALUES (?)", (text,))
        number: int = self._connection.execute("SELECT key FROM word WHERE text = ?", (text,)).fetchone()[0]
        if len(self._known) > 100_000:  # patients come and go; systems and names are soon known again
            self.clear()
        self._known[text] = number
        self._fresh.append(text)
        return number

    def keep(self) -> None:
        """The work that asked is done."""
        self._fresh.clear()

    def forget(self) -> None:
        """The work that asked was rolled back."""
        for text in self._fresh:
            self._known.pop(text, None)
        self._fresh.clear()

    def clear(self) -> None:
        """Nothing remembered is certain."""
        self._known = {"": 0}
        self._fresh.clear()


class SqliteTransaction:
    """The Transaction of the contract. Its coroutines never wait."""

    def __init__(self, connection: Connection, words: Words, now: Callable[[], int]) -> None:
        """``now`` answers UTC milliseconds."""
        self._connection = connection
        self._words = words
        self._now = now

    async def read(self, type_: str, id_: str) -> Version | None:
        """See the contract."""
        return read_newest(self._connection, type_, id_)

    async def find(self, type_: str, system: str, value: str) -> list[Version]:
        """See the contract."""
        sql = (
            f"{_CURRENT} WHERE c.key IN (SELECT key FROM token "
            f"WHERE owner = {WIDE} AND code = ? "
            "AND name = (SELECT key FROM word WHERE text = ?) "
            "AND system = CASE ? WHEN '' THEN 0 ELSE (SELECT key FROM word WHERE text = ?) END) "
            "ORDER BY c.key"
        )
        rows = self._connection.execute(sql, (value, f"{type_}.identifier", system, system))
        return [Version(*row) for row in rows]

    async def identified(self, system: str, value_prefix: str) -> list[Version]:
        """See the contract."""
        names = [f"{type_}.identifier" for type_ in stored_types()]
        sql = (
            f"{_CURRENT} WHERE c.key IN (SELECT key FROM token "
            f"WHERE owner = {WIDE} AND code >= ? AND code < ? "
            f"AND name IN (SELECT key FROM word WHERE text IN ({', '.join('?' * len(names))})) "
            "AND system = (SELECT key FROM word WHERE text = ?)) ORDER BY c.key"
        )
        bound = (value_prefix, value_prefix + "\U0010ffff", *names, system)
        return [Version(*row) for row in self._connection.execute(sql, bound)]

    async def search(self, query: Query) -> Page:
        """See the contract."""
        return run_search(self._connection, query)

    async def referrers(self, type_: str, id_: str, limit: int) -> list[str]:
        """See the contract."""
        sql = (
            "SELECT c.type || '/' || c.id FROM current c "
            "WHERE NOT c.deleted AND NOT (c.type = ? AND c.id = ?) "
            "AND c.key IN (SELECT key FROM reference WHERE target = ?) ORDER BY c.key LIMIT ?"
        )
        return [row[0] for row in self._connection.execute(sql, (type_, id_, f"{type_}/{id_}", limit))]

    async def put(
        self,
        type_: str,
        id_: str,
        content: bytes,
        keys: SearchKeys,
        *,
        method: Literal["POST", "PUT"] = "PUT",
    ) -> Version:
        """See the contract."""
        return self._next(type_, id_, method, content, keys)

    async def delete(self, type_: str, id_: str) -> Version:
        """See the contract."""
        newest = read_newest(self._connection, type_, id_)
        if newest is None:
            raise NotFound(f"There is no {type_}/{id_} to delete.")
        return newest if newest.deleted else self._next(type_, id_, "DELETE", b"", SearchKeys())

    async def visit(self, system: str, value: str) -> VisitKey | None:
        """See the contract."""
        sql = "SELECT system, value, patient, time FROM visit_record WHERE system = ? AND value = ?"
        row = self._connection.execute(sql, (system, value)).fetchone()
        return VisitKey(*row) if row else None

    async def claim_visit(self, key: VisitKey) -> None:
        """See the contract."""
        sql = "SELECT 1 FROM visit_record WHERE patient = ? AND time = ? AND NOT (system = ? AND value = ?)"
        if self._connection.execute(sql, (key.patient, key.time, key.system, key.value)).fetchone():
            raise Conflict("Another visit record holds the same patient and time.")
        self._connection.execute(
            "INSERT INTO visit_record (system, value, patient, time) VALUES (?, ?, ?, ?) "
            "ON CONFLICT (system, value) DO UPDATE SET patient = excluded.patient, time = excluded.time",
            (key.system, key.value, key.patient, key.time),
        )

    def _next(
        self, type_: str, id_: str, method: Literal["POST", "PUT", "DELETE"], content: bytes, keys: SearchKeys
    ) -> Version:
        row = self._connection.execute(
            "SELECT key, version, updated, keys FROM current WHERE type = ? AND id = ?", (type_, id_)
        ).fetchone()
        key, version, before, filed = row or (None, 0, 0, "[]")
        updated, version = max(self._now(), before + 1), version + 1
        moment = instant(updated)
        if method != "DELETE":
            content = stamp(content, id_=id_, version=version, last_updated=moment)
        if key is None:
            key = self._connection.execute(
                "INSERT INTO current (type, id, owner, sequence, version, updated, deleted, keys) "
                "VALUES (?, ?, 0, 0, 0, 0, 0, '[]')",
                (type_, id_),
            ).lastrowid
        owner, rows = key_rows(keys, key, self._words.number)
        sequence = self._connection.execute(
            "INSERT INTO resource (key, version, last_updated, method, content) VALUES (?, ?, ?, ?, ?)",
            (key, version, moment, method, content),
        ).lastrowid
        self._file({tuple(row) for row in msgspec.json.decode(filed)}, set(rows))
        self._connection.execute(
            "UPDATE current SET owner = ?, sequence = ?, version = ?, updated = ?, deleted = ?, keys = ? "
            "WHERE key = ?",
            (owner, sequence, version, updated, method == "DELETE", msgspec.json.encode(rows).decode(), key),
        )
        return Version(sequence, type_, id_, version, moment, method, content)

    def _file(self, old: set[Row], new: set[Row]) -> None:
        """Write the rows that are new and take back those that no longer hold."""
        for statements, rows in ((_DELETES, old - new), (_INSERTS, new - old)):
            for table, sql in statements.items():
                chosen = [row[1:] for row in rows if row[0] == table]
                if chosen:
                    self._connection.executemany(sql, chosen)
