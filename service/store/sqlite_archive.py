"""Reading and writing everything of a SQLite database; the connection is passed in."""

from zoneinfo import ZoneInfo

import msgspec

from service.fhir.datetimes import interval
from service.fhir.search_values import SearchKeys
from service.store.archive import CHUNK, Kept, Rows, in_chunks
from service.store.contract import Version, VisitKey
from service.store.key_rows import key_rows
from service.store.migrations import COMPATIBLE_WITH, SCHEMA_VERSION, upgrade
from service.store.search_sql import columns
from service.store.sqlite_transaction import Connection, SqliteTransaction

__all__ = ["SqliteArchive", "kept_after", "visits"]

_UTC = ZoneInfo("UTC")
_KEPT = (
    f"SELECT {columns}, c.sequence = r.sequence FROM resource r JOIN current c ON c.key = r.key "
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


class SqliteArchive(SqliteTransaction):
    """The Archive of ``archive.py``. Its coroutines never wait."""

    async def is_empty(self) -> bool:
        """See Archive."""
        sql = "SELECT 1 FROM resource UNION ALL SELECT 1 FROM visit_record LIMIT 1"
        return self._connection.execute(sql).fetchone() is None

    def rows(self) -> Rows:
        """See Archive."""

        async def versions(after: int) -> list[Kept]:
            return kept_after(self._connection, after)

        async def keys() -> list[VisitKey]:
            return visits(self._connection)

        return in_chunks(versions, keys)

    async def keep(self, kept: Kept, keys: SearchKeys) -> None:
        """See Archive."""
        one = kept.version
        if one.version == 1:
            self._connection.execute(
                "INSERT INTO current (type, id, owner, sequence, version, updated, deleted, keys) "
                "VALUES (?, ?, 0, 0, 0, 0, 0, '[]')",
                (one.type, one.id),
            )
        (key,) = self._connection.execute(
            "SELECT key FROM current WHERE type = ? AND id = ?", (one.type, one.id)
        ).fetchone()
        self._connection.execute(
            "INSERT INTO resource (sequence, key, version, last_updated, method, content) "
            "VALUES (?, ?, ?, ?, ?, ?)",
            (one.sequence, key, one.version, one.last_updated, one.method, one.content),
        )
        self._connection.execute(
            "UPDATE current SET sequence = ?, version = ?, updated = ?, deleted = ? WHERE key = ?",
            (one.sequence, one.version, interval(one.last_updated, _UTC)[0], one.deleted, key),
        )
        if kept.newest:
            await self.refile(one, keys)

    async def refile(self, version: Version, keys: SearchKeys) -> None:
        """See Archive."""
        key, filed = self._connection.execute(
            "SELECT key, keys FROM current WHERE type = ? AND id = ?", (version.type, version.id)
        ).fetchone()
        owner, rows = key_rows(keys, key, self._words.number)
        self._file({tuple(row) for row in msgspec.json.decode(filed)}, set(rows))
        self._connection.execute(
            "UPDATE current SET owner = ?, keys = ? WHERE key = ?",
            (owner, msgspec.json.encode(rows).decode(), key),
        )

    async def upgrade(self) -> bool:
        """See Archive."""
        (found,) = self._connection.execute("SELECT version FROM schema_version").fetchone()
        scripts = upgrade("sqlite", found)
        for statement in (part for script in scripts for part in script.split(";\n")):
            self._connection.execute(statement)
        values = (SCHEMA_VERSION, COMPATIBLE_WITH)
        if found < SCHEMA_VERSION:
            self._connection.execute("UPDATE schema_version SET version = ?, compatible_with = ?", values)
        return bool(scripts)
