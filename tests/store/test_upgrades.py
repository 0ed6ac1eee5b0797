"""Databases of earlier programs become like new ones."""

import asyncio
import sqlite3
from contextlib import closing
from datetime import UTC, datetime

import asyncpg
import pytest
from databases import AnyLoop, database

from service.fhir.confidentiality import CONFIDENTIALITY
from service.fhir.search_query import Clause, TokenValue
from service.fhir.search_values import SearchKeys, TokenKey
from service.store import moving
from service.store.contract import History, Query
from service.store.sqlite import SqliteStore

CODE = Clause(("Observation.code",), "token", (TokenValue("s", "c"),))
NEW = ("token", "reference", "date", "number", "quantity", "string", "uri", "summary", "touched")
OF_FOURTH = ("audit", "audit_target", "audit_chain", "entry")
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
        rows = dict(connection.execute(sql).fetchall())
        # a column that was added stands in another place of the text
        return rows | {"resource": connection.execute("PRAGMA table_info(resource)").fetchall()}


@pytest.mark.parametrize("older", [[*FIRST, "UPDATE current SET keys = x'5b5d'"], *LATER])
def test_sqlite(tmp_path, older):
    path, new = tmp_path / "store.sqlite", tmp_path / "new.sqlite"
    for one in (path, new):
        fill(SqliteStore(one, clock=clock))
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        for statement in older:
            connection.execute(statement)
    assert tables(path) != tables(new)
    assert upgraded(lambda **more: SqliteStore(path, clock=clock, **more)) == AS_NEW
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
