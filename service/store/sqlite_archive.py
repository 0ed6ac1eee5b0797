"""Reading and writing everything of a SQLite database; the connections are passed in."""

from collections.abc import Callable

from service.fhir.datetimes import LATEST
from service.store.archive import CHUNK, Kept, Rows, in_chunks
from service.store.audit import Audited, Begun
from service.store.audit_sql import EXISTING
from service.store.contract import Version, VisitKey
from service.store.entries import Entry, travelling
from service.store.migrations import COMPATIBLE_WITH, SCHEMA_VERSION, statements, upgrade
from service.store.search_sql import kept_columns
from service.store.sqlite_audit import begin_behind, beginnings, trail_chunk
from service.store.sqlite_transaction import Connection, SqliteTransaction, Words
from service.store.unused_words import unused_texts

__all__ = ["SqliteArchive", "entries", "kept_after", "visits"]

_KEPT = (
    f"SELECT {kept_columns}, c.sequence = r.sequence FROM resource r JOIN current c ON c.key = r.key "
    f"WHERE r.sequence > ? ORDER BY r.sequence LIMIT {CHUNK}"
)


def kept_after(connection: Connection, after: int) -> list[Kept]:
    """Answer some versions written after a sequence number, in order."""
    rows = connection.execute(_KEPT, (after,)).fetchall()
    return [Kept(Version(*version), bool(newest)) for *version, newest in rows]


def visits(connection: Connection) -> list[VisitKey]:
    """Answer every visit key."""
    sql = "SELECT system, value, patient, time FROM visit_record ORDER BY system, value"
    return [VisitKey(*row) for row in connection.execute(sql)]


def entries(connection: Connection) -> list[Entry]:
    """Answer the entries that travel."""
    return [Entry(*row) for row in connection.execute(*travelling())]


class SqliteArchive(SqliteTransaction):
    """The Archive of ``archive.py``. Its coroutines never wait.

    Of the audit trail it writes and reads what is in the database itself: what is kept comes to lie there.
    """

    refuses_erased = False

    def __init__(
        self,
        connection: Connection,
        words: Words,
        now: Callable[[], int],
        accesses: Callable[[], Connection] | None = None,
    ) -> None:
        """``now`` answers UTC milliseconds, ``accesses`` a connection to the file beside the database."""
        super().__init__(connection, words, now)
        self._accesses = accesses

    async def is_empty(self) -> bool:
        """See Archive."""
        tables = ("resource", "visit_record", "audit")
        sql = " UNION ALL ".join(f"SELECT 1 FROM {table}" for table in tables)
        if self._connection.execute(f"{sql} LIMIT 1").fetchone() is not None or entries(self._connection):
            return False
        return self._accesses is None or self._accesses().execute(EXISTING).fetchone() is None

    def rows(self) -> Rows:
        """See Archive."""

        async def versions(after: int) -> list[Kept]:
            await self._flush()
            return kept_after(self._connection, after)

        async def keys() -> list[VisitKey]:
            return visits(self._connection)

        async def later() -> list[Begun]:
            return beginnings([self._connection])

        async def trail(place: tuple[int, str, int]) -> list[Audited]:
            return trail_chunk([self._connection], place, LATEST)

        async def others() -> list[Entry]:
            return entries(self._connection)

        return in_chunks(versions, keys, later, trail, others)

    async def sweep(self) -> int:
        """See Archive; whoever remembers numbers of words sees by user_version that some are taken back."""
        await self._flush()
        rows = self._connection.execute(*unused_texts()).fetchall()
        (generation,) = self._connection.execute("PRAGMA user_version").fetchone()
        self._connection.execute(f"PRAGMA user_version = {generation + 1}")
        return len(rows)

    async def begin_behind(self, begun: Begun) -> None:
        """See Archive."""
        begin_behind(self._connection, [begun])

    async def upgrade(self) -> bool:
        """See Archive."""
        (found,) = self._connection.execute("SELECT version FROM schema_version").fetchone()
        scripts = upgrade("sqlite", found)
        for statement in statements(scripts):
            self._connection.execute(statement)
        values = (SCHEMA_VERSION, COMPATIBLE_WITH)
        if found < SCHEMA_VERSION:
            self._connection.execute("UPDATE schema_version SET version = ?, compatible_with = ?", values)
        return bool(scripts)
