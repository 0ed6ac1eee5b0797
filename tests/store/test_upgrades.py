"""Databases of earlier programs become like new ones."""

import asyncio
import sqlite3
from contextlib import closing
from datetime import UTC, datetime

import asyncpg
import pytest
from databases import AnyLoop, database

from service.errors import StoreUnavailable
from service.fhir.confidentiality import CONFIDENTIALITY
from service.fhir.search_query import Clause, ReferenceValue, TokenValue
from service.fhir.search_values import SearchKeys, TokenKey
from service.store import moving, sqlite_audit
from service.store.audit import Event
from service.store.audit_verify import verify
from service.store.contract import History, Query
from service.store.sqlite import SqliteStore
from service.store.sqlite_accesses import accesses_path

CODE = Clause(("Observation.code",), "token", (TokenValue("s", "c"),))
NEW = ("token", "reference", "date", "number", "quantity", "string", "uri", "summary", "touched")
OF_FOURTH = ("audit", "audit_target", "audit_chain", "entry")
OF_SEVENTH = [
    *(f"DROP TRIGGER {one}" for one in ("audit_ends", "audit_names", "audit_unfiled_not_changed")),
    *(f"DROP TRIGGER audit_filed_not_{one}" for one in ("changed", "deleted")),
    "DROP VIEW audit_target",
    "DROP TABLE audit_unfiled",
    "ALTER TABLE audit_filed RENAME TO audit_target",
    "CREATE TRIGGER audit_target_not_changed BEFORE UPDATE ON audit_target BEGIN SELECT 1; END",
    "CREATE TRIGGER audit_target_not_deleted BEFORE DELETE ON audit_target BEGIN SELECT 1; END",
]
"""From the present tables of the trail on SQLite to those of schema 6."""
OF_SIXTH = ("feed", "destination", "delivery", "delivered", "subscription_event", "subscriber")
FIFTH = [
    *(f"DROP TABLE {table}" for table in OF_SIXTH),
    "UPDATE schema_version SET version = 5, compatible_with = 5",
]
"""From the present tables to those of schema 5."""
FOURTH = [
    *FIFTH,
    "ALTER TABLE resource DROP COLUMN labelled",
    "DROP TABLE audit_begun",
    "UPDATE schema_version SET version = 4, compatible_with = 4",
]
"""From the present tables to those of schema 4."""
FIRST = [
    *FOURTH,
    "DROP TABLE date",
    *(f"DROP TABLE {table}" for table in (*NEW, *OF_FOURTH) if table != "date"),
    "CREATE TABLE token (owner BIGINT, name BIGINT, code TEXT, key BIGINT, system BIGINT)",
    "CREATE TABLE reference (target TEXT, name BIGINT, key BIGINT)",
    "CREATE TABLE date (owner BIGINT, name BIGINT, low BIGINT, high BIGINT, key BIGINT)",
    "CREATE INDEX date_key ON date (key, name, low, high)",
    "CREATE TABLE string (owner BIGINT, name BIGINT, value TEXT, key BIGINT, exact TEXT)",
    "UPDATE schema_version SET version = 1, compatible_with = 1",
]
"""From the present tables to those of schema 1, as far as an upgrade can tell."""
SECOND = [
    *FOURTH,
    *(f"DROP TABLE {table}" for table in ("summary", "touched", *OF_FOURTH)),
    "UPDATE schema_version SET version = 2, compatible_with = 2",
]
"""From the present tables to those of schema 2."""
THIRD = [
    *FOURTH,
    *(f"DROP TABLE {table}" for table in OF_FOURTH),
    "UPDATE schema_version SET version = 3, compatible_with = 3",
]
"""From the present tables to those of schema 3."""
LATER = (SECOND, THIRD, FOURTH, FIFTH)

LABELLED = f'{{"meta":{{"security":[{{"system":"{CONFIDENTIALITY}","code":"R"}}]}}}}'
TEXTS = (b"{}", LABELLED.encode(), LABELLED.replace("C", "\\u0043").encode())
AS_NEW = (["a"], [True, True, False])
"""What is found of the newest version, and which of the versions, the newest first, bear a label."""


def clock():
    return datetime(2026, 2, 4, tzinfo=UTC)


def keys_of(_):
    return SearchKeys("p", (TokenKey("Observation.code", "s", "c"),))


def upgraded(opened):
    store = opened(older=True)
    assert asyncio.run(moving.migrate(store, keys_of, lambda: None)) == 1
    asyncio.run(store.close())
    store = opened()
    page = asyncio.run(store.search(Query("Observation", (CODE,))))
    old = asyncio.run(store.history(History(("Observation",), "a")))
    asyncio.run(store.close())
    return [version.id for version in page.versions], [version.labelled for version in old.versions]


def fill(store):
    """Three versions: without a label, with one, and with one that is spelled by an escape."""

    async def work(txn):
        for content in TEXTS:
            await txn.put("Observation", "a", content, SearchKeys())

    asyncio.run(store.write("put", work))
    asyncio.run(store.close())


def tables(path):
    with closing(sqlite3.connect(path)) as connection:
        sql = "SELECT name, sql FROM sqlite_master WHERE name NOT LIKE 'sqlite_%'"
        rows = {name: text.replace('"', "") for name, text in connection.execute(sql)}  # quoted when renamed
        # a column that was added stands in another place of the text
        return rows | {"resource": connection.execute("PRAGMA table_info(resource)").fetchall()}


@pytest.mark.parametrize("older", [[*FIRST, "UPDATE current SET keys = x'5b5d'"], *LATER])
def test_sqlite(tmp_path, older):
    path, new = tmp_path / "store.sqlite", tmp_path / "new.sqlite"
    for one in (path, new):
        fill(SqliteStore(one, clock=clock))
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        for statement in (*OF_SEVENTH, *older):
            connection.execute(statement)
    assert tables(path) != tables(new)
    assert upgraded(lambda **more: SqliteStore(path, clock=clock, **more)) == AS_NEW
    assert tables(path) == tables(new)


BODY = (
    '"type":{"code":"rest"},"subtype":[{"code":"read"}],"action":"R","outcome":"0",'
    '"agent":[{"altId":"ann"}],"entity":[{"what":{"reference":"Patient/p"}}]'
)
EVENT = Event("rest", "read", "R", "0", "", "ann", ("Patient/p",), BODY)
ABOUT = Clause(("AuditEvent.entity",), "reference", (ReferenceValue(("Patient/p",)),))


def recorded(store):
    """An event of an access and one of a write; answers how many there are then."""

    async def work():
        await store.audit([EVENT])
        await store.write("audit", lambda txn: txn.audit([EVENT]))
        count = (await store.audited(Query("AuditEvent", (ABOUT,)))).total
        assert (await verify(store)).faults == []
        await store.close()
        return count

    return asyncio.run(work())


def test_the_trail_of_schema_6_on_sqlite(tmp_path, monkeypatch):
    path, new = tmp_path / "store.sqlite", tmp_path / "new.sqlite"
    monkeypatch.setattr(sqlite_audit, "_WAITING", 1)  # where there was one table of targets, all lay there
    for one in (path, new):
        assert recorded(SqliteStore(one, clock=clock)) == 2
    for one, version in (
        (path, "UPDATE schema_version SET version = 6, compatible_with = 6"),
        (accesses_path(path), "PRAGMA user_version = 1"),
    ):
        with closing(sqlite3.connect(one, isolation_level=None)) as connection:
            for statement in (*OF_SEVENTH, version):
                connection.execute(statement)
    with pytest.raises(StoreUnavailable, match="migrate"):
        SqliteStore(path, clock=clock)
    store = SqliteStore(path, clock=clock, older=True)
    asyncio.run(moving.migrate(store, keys_of, lambda: None))
    asyncio.run(store.close())
    assert recorded(SqliteStore(path, clock=clock)) == 4
    assert tables(path) == tables(new)
    assert trail_tables(accesses_path(path)) == trail_tables(accesses_path(new))


def trail_tables(path):
    with closing(sqlite3.connect(path)) as connection:
        rows = connection.execute("SELECT name, sql FROM sqlite_master").fetchall()
        (version,) = connection.execute("PRAGMA user_version").fetchone()
    return version, {name: text and text.replace('"', "") for name, text in rows}


def test_a_file_of_accesses_of_a_newer_program_is_refused(tmp_path):
    path = tmp_path / "store.sqlite"
    asyncio.run(SqliteStore(path, clock=clock).close())
    with closing(sqlite3.connect(accesses_path(path), isolation_level=None)) as connection:
        connection.execute("PRAGMA user_version = 99")
    with pytest.raises(StoreUnavailable, match="newer program"):
        SqliteStore(path, clock=clock)


async def columns(url, *statements):
    connection = await asyncpg.connect(url)
    try:
        for statement in statements:
            await connection.execute(statement)
        rows = await connection.fetch(
            "SELECT table_name, column_name, data_type FROM information_schema.columns "
            "WHERE table_schema = 'public' ORDER BY 1, ordinal_position"
        )
        return [tuple(row) for row in rows]
    finally:
        await connection.close()


@pytest.mark.parametrize(
    "older",
    [[*FIRST, "ALTER TABLE current ALTER COLUMN keys TYPE bytea USING '[]'::bytea"], *LATER],
)
def test_postgres(postgres_server, older):
    with database(postgres_server) as url:
        fill(AnyLoop(url, clock))
        new = asyncio.run(columns(url))
        lost = () if older is FIFTH else ("DROP SEQUENCE word_generation",)
        assert asyncio.run(columns(url, *lost, *older)) != new
        assert upgraded(lambda **more: AnyLoop(url, clock, **more)) == AS_NEW
        assert asyncio.run(columns(url)) == new
