"""Databases of earlier programs become like new ones."""

import asyncio
import sqlite3
from contextlib import closing
from datetime import UTC, datetime

import asyncpg
import pytest
from databases import AnyLoop, database

from service.fhir.search_query import Clause, TokenValue
from service.fhir.search_values import SearchKeys, TokenKey
from service.store import moving
from service.store.contract import Query
from service.store.sqlite import SqliteStore

CODE = Clause(("Observation.code",), "token", (TokenValue("s", "c"),))
NEW = ("token", "reference", "date", "number", "quantity", "string", "uri", "summary", "touched")
FOURTH = ("audit", "audit_target", "audit_chain", "entry")
FIRST = [
    "DROP TABLE date",
    *(f"DROP TABLE {table}" for table in (*NEW, *FOURTH) if table != "date"),
    "CREATE TABLE token (owner BIGINT, name BIGINT, code TEXT, key BIGINT, system BIGINT)",
    "CREATE TABLE reference (target TEXT, name BIGINT, key BIGINT)",
    "CREATE TABLE date (owner BIGINT, name BIGINT, low BIGINT, high BIGINT, key BIGINT)",
    "CREATE INDEX date_key ON date (key, name, low, high)",
    "CREATE TABLE string (owner BIGINT, name BIGINT, value TEXT, key BIGINT, exact TEXT)",
    "UPDATE schema_version SET version = 1, compatible_with = 1",
]
"""From the present tables to those of schema 1, as far as an upgrade can tell."""
SECOND = [
    *(f"DROP TABLE {table}" for table in ("summary", "touched", *FOURTH)),
    "UPDATE schema_version SET version = 2, compatible_with = 2",
]
"""From the present tables to those of schema 2."""
THIRD = [
    *(f"DROP TABLE {table}" for table in FOURTH),
    "UPDATE schema_version SET version = 3, compatible_with = 3",
]
"""From the present tables to those of schema 3."""


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
    asyncio.run(store.close())
    return [version.id for version in page.versions]


def fill(store):
    asyncio.run(store.write("put", lambda txn: txn.put("Observation", "a", b"{}", SearchKeys())))
    asyncio.run(store.close())


def tables(path):
    with closing(sqlite3.connect(path)) as connection:
        rows = connection.execute("SELECT name, sql FROM sqlite_master WHERE name NOT LIKE 'sqlite_%'")
        return dict(rows.fetchall())


@pytest.mark.parametrize("older", [[*FIRST, "UPDATE current SET keys = x'5b5d'"], SECOND, THIRD])
def test_sqlite(tmp_path, older):
    path, new = tmp_path / "store.sqlite", tmp_path / "new.sqlite"
    for one in (path, new):
        fill(SqliteStore(one, clock=clock))
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        for statement in older:
            connection.execute(statement)
    assert tables(path) != tables(new)
    assert upgraded(lambda **more: SqliteStore(path, clock=clock, **more)) == ["a"]
    assert tables(path) == tables(new)


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
    "older", [[*FIRST, "ALTER TABLE current ALTER COLUMN keys TYPE bytea USING '[]'::bytea"], SECOND, THIRD]
)
def test_postgres(postgres_server, older):
    with database(postgres_server) as url:
        fill(AnyLoop(url, clock))
        new = asyncio.run(columns(url))
        assert asyncio.run(columns(url, *older)) != new
        assert upgraded(lambda **more: AnyLoop(url, clock, **more)) == ["a"]
        assert asyncio.run(columns(url)) == new
