"""Reads and writes inside one SQLite transaction; the connection is passed in."""

from collections.abc import Callable, Sequence
from typing import Any

from service.errors import Conflict
from service.fhir.search_parameters import stored_types
from service.store.audit import Audited
from service.store.buffered import Buffered, Head, Pending
from service.store.contract import Identified, Label, Page, Query, Version, VisitKey
from service.store.entries import erased_of
from service.store.key_rows import TABLES, by_table
from service.store.label_sql import labels_in_use, labels_of
from service.store.search_match import WIDE, Statement
from service.store.search_order import begun, page_of
from service.store.search_sql import columns, page, total
from service.store.sqlite_audit import Connection, file_targets, keep
from service.store.summaries import Seen, Summary
from service.store.summaries_sql import FORGET, KEEP, forgotten, kept

__all__ = [
    "Connection",
    "SqliteTransaction",
    "Words",
    "read_newest",
    "read_version",
    "run_labels",
    "run_search",
]

_CURRENT = f"SELECT {columns} FROM current c JOIN resource r ON r.sequence = c.sequence"
_NEWEST = f"{_CURRENT} WHERE c.type = ? AND c.id = ?"
_OF_NUMBER = (
    f"SELECT {columns} FROM current c JOIN resource r ON r.key = c.key "
    "WHERE c.type = ? AND c.id = ? AND r.version = ?"
)
_HEAD = (
    f"SELECT {columns}, c.key, c.updated, c.keys FROM current c JOIN resource r ON r.sequence = c.sequence "
    "WHERE c.type = ? AND c.id = ?"
)
_FIND = (
    f"{_CURRENT} WHERE c.key IN "
    f"(SELECT key FROM token WHERE owner = {WIDE} AND name = ? AND code = ? AND system = ?) ORDER BY c.key"
)
_NEW = (
    "INSERT INTO current (key, type, id, owner, sequence, version, updated, deleted, keys) "
    "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)"
)
_CHANGED = (
    "UPDATE current SET key = ?1, type = ?2, id = ?3, owner = ?4, sequence = ?5, version = ?6, updated = ?7, "
    "deleted = ?8, keys = ?9 WHERE key = ?1"
)
_VERSION = (
    "INSERT INTO resource (sequence, key, version, last_updated, method, content, labelled) "
    "VALUES (?, ?, ?, ?, ?, ?, ?)"
)
_LAST = (
    "SELECT max(coalesce((SELECT max(sequence) FROM resource), 0), "
    "coalesce((SELECT max(key) FROM current), 0))"
)
_INSERTS = {
    table: f"INSERT INTO {table} ({', '.join(names)}) VALUES ({', '.join('?' * len(names))})"
    for table, names in TABLES.items()
}
_TOUCH = "INSERT OR IGNORE INTO touched (patient, sequence) VALUES (?, ?)"
_DELETES = {
    table: f"DELETE FROM {table} WHERE {' AND '.join(f'{name} = ?' for name in names)}"
    for table, names in TABLES.items()
}


def read_newest(connection: Connection, type_: str, id_: str) -> Version | None:
    """Answer the newest version, a deletion included."""
    row = connection.execute(_NEWEST, (type_, id_)).fetchone()
    return Version(*row) if row else None


def read_version(connection: Connection, type_: str, id_: str, version: int) -> Version | None:
    """Answer one version."""
    row = connection.execute(_OF_NUMBER, (type_, id_, version)).fetchone()
    return Version(*row) if row else None


def run_search(connection: Connection, query: Query) -> Page:
    """Answer one page."""
    rows = begun(connection.execute(*page(query)), query.most_bytes) if query.count else []
    counted = connection.execute(*total(query)).fetchone()[0] if query.total == "accurate" else None
    return page_of(query, rows, counted)


def run_labels(connection: Connection, types: Sequence[str]) -> set[Label]:
    """Answer the labels in use."""
    return labels_of(connection.execute(*labels_in_use(types)))


class Words:
    """Numbers of the repeating texts, remembered; ``forget`` takes back what a rolled back work added."""

    def __init__(self, connection: Connection) -> None:
        """Start with nothing remembered."""
        self._connection = connection
        self._known: dict[str, int] = {"": 0}
        self._fresh: list[str] = []

    def known(self, text: str) -> int | None:
        """Answer the number of a text, 0 for none; None if it has none yet."""
        known = self._known.get(text)
        if known is None:
            row = self._connection.execute("SELECT key FROM word WHERE text = ?", (text,)).fetchone()
            return row[0] if row else None
        return known

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


class SqliteTransaction(Buffered):
    """The Transaction of the contract. Its coroutines never wait."""

    def __init__(self, connection: Connection, words: Words, now: Callable[[], int]) -> None:
        """``now`` answers UTC milliseconds."""
        super().__init__(now)
        self._connection = connection
        self._words = words
        self._last = 0

    async def expect(self, names: Sequence[tuple[str, str]]) -> None:
        """See the contract; here each is asked for just as fast on its own."""

    async def find_all(self, wanted: Sequence[Identified]) -> list[list[Version]]:
        """See the contract."""
        await self._flush()
        return [self._identified(one) for one in wanted]

    async def identified(self, system: str, value_prefix: str) -> list[Version]:
        """See the contract."""
        await self._flush()
        names = [f"{type_}.identifier" for type_ in stored_types()]
        sql = (
            f"{_CURRENT} WHERE c.key IN (SELECT key FROM token "
            f"WHERE owner = {WIDE} AND code >= ? AND code < ? "
            f"AND name IN (SELECT key FROM word WHERE text IN ({', '.join('?' * len(names))})) "
            "AND system = (SELECT key FROM word WHERE text = ?)) ORDER BY c.key"
        )
        bound = (value_prefix, value_prefix + "\U0010ffff", *names, system)
        return [Version(*row) for row in self._connection.execute(sql, bound)]

    async def vread(self, type_: str, id_: str, version: int) -> Version | None:
        """See the contract."""
        await self._flush()
        return read_version(self._connection, type_, id_, version)

    async def search(self, query: Query) -> Page:
        """See the contract."""
        await self._flush()
        return run_search(self._connection, query)

    async def referrers(self, type_: str, id_: str, limit: int) -> list[str]:
        """See the contract."""
        await self._flush()
        sql = (
            "SELECT c.type || '/' || c.id FROM current c "
            "WHERE NOT c.deleted AND NOT (c.type = ? AND c.id = ?) "
            "AND c.key IN (SELECT key FROM reference WHERE target = ?) ORDER BY c.key LIMIT ?"
        )
        return [row[0] for row in self._connection.execute(sql, (type_, id_, f"{type_}/{id_}", limit))]

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

    async def keep_summary(self, seen: Seen, summary: Summary | None) -> bool:
        """See the contract."""
        if summary is None:
            self._connection.execute(FORGET, (seen.patient, seen.edition))
        elif not self._connection.execute(KEEP, kept(summary, seen)).fetchall():
            return False
        for sql, values in forgotten(seen):
            self._connection.execute(sql, values)
        return True

    async def finish(self) -> None:
        """Write what waits."""
        await self._flush()

    def _identified(self, wanted: Identified) -> list[Version]:
        name, system = self._words.known(f"{wanted.type}.identifier"), self._words.known(wanted.system)
        if name is None or system is None:
            return []
        return [Version(*row) for row in self._connection.execute(_FIND, (name, wanted.value, system))]

    async def _fetched(self, type_: str, id_: str) -> Head:
        row = self._connection.execute(_HEAD, (type_, id_)).fetchone()
        if row is None:
            return Head()
        *version, key, updated, filed = row
        return Head(Version(*version), key, updated, filed, stored=True)

    async def _sequence(self) -> int:
        """Nobody else writes while this transaction is open; a new resource takes its first as its key."""
        self._last = (self._last or self._connection.execute(_LAST).fetchone()[0]) + 1
        return self._last

    async def _write_audited(self, rows: Sequence[Audited]) -> None:
        keep(self._connection, rows)
        file_targets(self._connection)

    async def _asked(self, statement: Statement) -> Sequence[Sequence[Any]]:
        rows: list[Any] = self._connection.execute(*statement).fetchall()
        return rows

    async def _write(self, pending: Pending) -> None:
        old, new = pending.file(self._words.number)
        self._connection.executemany(_NEW, pending.current(stored=False))
        self._connection.executemany(_CHANGED, pending.current(stored=True))
        versions = (
            (one.sequence, key, one.version, one.last_updated, one.method, one.content, one.labelled)
            for key, one in pending.versions
        )
        self._connection.executemany(_VERSION, versions)
        for statements, rows in ((_DELETES, old), (_INSERTS, new)):
            for table, chosen in by_table(rows):
                self._connection.executemany(statements[table], chosen)
        self._connection.executemany(_TOUCH, pending.touched.items())
        erased = self._connection.execute(*erased_of(pending.touched)).fetchall() if pending.touched else ()
        self._refuse_erased([name for (name,) in erased])
