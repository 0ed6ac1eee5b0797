"""Reading and writing everything of a PostgreSQL database; the connection is passed in."""

from service.fhir.datetimes import LATEST
from service.store.archive import CHUNK, Kept, Rows, in_chunks
from service.store.audit import Audited, Begun
from service.store.contract import VisitKey
from service.store.entries import Entry, travelling
from service.store.migrations import COMPATIBLE_WITH, SCHEMA_VERSION, upgrade
from service.store.postgres_audit import begin_behind, beginnings, trail_chunk
from service.store.postgres_sql import in_postgres
from service.store.postgres_transaction import Connection, PostgresTransaction, version_of
from service.store.postgres_words import SWEEP
from service.store.search_sql import kept_columns
from service.store.unused_words import unused_texts

__all__ = ["PostgresArchive", "snapshot"]

_KEPT = (
    f"SELECT {kept_columns}, c.sequence = r.sequence FROM resource r JOIN current c ON c.key = r.key "
    f"WHERE r.sequence > $1 ORDER BY r.sequence LIMIT {CHUNK}"
)
_ALONE = "LOCK TABLE current, resource, visit_record IN SHARE ROW EXCLUSIVE MODE"


def snapshot(connection: Connection) -> Rows:
    """Answer everything a transaction sees."""

    async def versions(after: int) -> list[Kept]:
        return [Kept(version_of(row[:-1]), row[-1]) for row in await connection.fetch(_KEPT, after)]

    async def visits() -> list[VisitKey]:
        sql = "SELECT system, value, patient, time FROM visit_record ORDER BY system, value"
        return [VisitKey(*row) for row in await connection.fetch(sql)]

    async def later() -> list[Begun]:
        return await beginnings(connection)

    async def trail(place: tuple[int, str, int]) -> list[Audited]:
        return await trail_chunk(connection, place, LATEST)

    async def entries() -> list[Entry]:
        sql, values = in_postgres(travelling(), lambda _: None)
        return [Entry(*row) for row in await connection.fetch(sql, *values)]

    return in_chunks(versions, visits, later, trail, entries)


class PostgresArchive(PostgresTransaction):
    """The Archive of ``archive.py``; nobody else writes while it is open."""

    refuses_erased = False

    async def begin(self) -> None:
        """Keep others from writing, before anything is seen."""
        await self._connection.execute("SET LOCAL statement_timeout TO 0")
        await self._connection.execute(_ALONE)

    async def is_empty(self) -> bool:
        """See Archive."""
        tables = ("resource", "visit_record", "audit")
        sql = " OR ".join(f"EXISTS (SELECT 1 FROM {table})" for table in tables)
        return not await self._connection.fetchval(f"SELECT {sql}") and not await self._asked(travelling())

    async def rows(self) -> Rows:
        """See Archive."""
        await self._flush()
        async for row in snapshot(self._connection):
            yield row

    async def begin_behind(self, begun: Begun) -> None:
        """See Archive."""
        await begin_behind(self._connection, [begun])

    async def upgrade(self) -> bool:
        """See Archive."""
        found = await self._connection.fetchval("SELECT version FROM schema_version")
        scripts = upgrade("postgres", found)
        for script in scripts:
            await self._connection.execute(script)
        if found < SCHEMA_VERSION:
            values = (SCHEMA_VERSION, COMPATIBLE_WITH)
            await self._connection.execute(
                "UPDATE schema_version SET version = $1, compatible_with = $2", *values
            )
        return bool(scripts)

    async def sweep(self) -> int:
        """See Archive; searches that look for a word wait until it is done."""
        for statement in SWEEP:
            await self._connection.execute(statement)
        return len(await self._asked(unused_texts()))

    async def finish(self) -> None:
        """Go on numbering behind what was kept."""
        await super().finish()
        await self._connection.execute(
            "SELECT setval('write_sequence', greatest((SELECT max(sequence) FROM resource), last_value)) "
            "FROM write_sequence WHERE EXISTS (SELECT 1 FROM resource)"
        )
