"""What is particular to the store on SQLite."""

import asyncio
import re
import signal
import sqlite3
import subprocess
import sys
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from urllib.parse import parse_qsl
from zoneinfo import ZoneInfo

import pytest

from service.errors import StoreUnavailable, TooCostly
from service.fhir.search_clauses import Reader, parse_clauses
from service.fhir.search_query import Clause, DateValue, ReferenceValue, TokenValue
from service.fhir.search_values import SearchKeys, TokenKey
from service.store import sqlite
from service.store.contract import Query
from service.store.migrations import SCHEMA_VERSION
from service.store.search_sql import page
from service.store.sqlite import SqliteStore

SERVICE = Path(sqlite.__file__).parents[1]


def open_store(path):
    return SqliteStore(path, clock=lambda: datetime(2026, 2, 4, tzinfo=UTC))


@pytest.fixture
def path(tmp_path):
    return tmp_path / "deep" / "store.sqlite"


@pytest.fixture
def store(path):
    store = open_store(path)
    yield store
    asyncio.run(store.close())


def put(store, id_="a", keys=SearchKeys()):  # noqa: B008 - immutable
    return asyncio.run(store.write("put", lambda txn: txn.put("Observation", id_, b"{}", keys)))


WRITER = """
import asyncio, sys
from datetime import UTC, datetime
from pathlib import Path
from service.fhir.search_values import SearchKeys, TokenKey
from service.store.sqlite import SqliteStore

store = SqliteStore(Path(sys.argv[1]), clock=lambda: datetime.now(UTC))
keys = SearchKeys("p", (TokenKey("Observation.code", "s", "c"),))

async def one(name):
    async def work(txn):
        for part in range(3):
            await txn.put("Observation", f"{name}-{part}", b'{"part":%d}' % part, keys)
    await store.write("three", work)
    print(name, flush=True)

async def forever(lane):
    number = 0
    while True:
        await one(f"{lane}-{number}")
        number += 1

async def main():
    await asyncio.gather(*(forever(lane) for lane in range(8)))

asyncio.run(main())
"""


def test_what_was_acknowledged_survives_a_kill_and_nothing_is_half_there(path):
    process = subprocess.Popen(  # noqa: S603 - our own interpreter and script
        [sys.executable, "-c", WRITER, str(path)],
        stdout=subprocess.PIPE,
        text=True,
        env={"PYTHONPATH": str(SERVICE.parent)},
    )
    assert process.stdout is not None
    told = [process.stdout.readline().strip() for _ in range(200)]
    process.send_signal(signal.SIGKILL)
    told += process.stdout.read().split()
    process.stdout.close()
    process.wait()
    store = open_store(path)
    try:
        found = asyncio.run(everything(store))
        clause = Clause(("Observation.code",), "token", (TokenValue("s", "c"),))
        indexed = asyncio.run(store.search(Query("Observation", (clause,), count=1))).total
    finally:
        asyncio.run(store.close())
    whole = {name.rpartition("-")[0] for name in found}
    assert len(told) >= 200
    assert set(told) <= whole
    assert found == {f"{name}-{part}" for name in whole for part in range(3)}
    assert indexed == len(found)


async def everything(store):
    return {version.id async for version in store.changes()}


def test_a_database_of_a_newer_program_is_refused(path):
    asyncio.run(open_store(path).close())
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("UPDATE schema_version SET version = ?", (SCHEMA_VERSION + 5,))
        connection.commit()
    asyncio.run(open_store(path).close())  # newer, but says that this program may still use it
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("UPDATE schema_version SET compatible_with = ?", (SCHEMA_VERSION + 1,))
        connection.commit()
    with pytest.raises(StoreUnavailable, match="written by a newer program"):
        open_store(path)


def test_a_file_that_is_no_database_is_refused(path):
    path.parent.mkdir()
    path.write_text("not a database, but long enough to be read as the header of one " * 100)
    with pytest.raises(StoreUnavailable, match="can't be opened"):
        open_store(path)


def test_commits_are_flushed_to_disk(store):
    assert store._writing.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    assert store._writing.execute("PRAGMA synchronous").fetchone() == (2,)  # FULL


def test_readers_cannot_write(store):
    put(store)
    asyncio.run(store.read("Observation", "a"))
    with pytest.raises(sqlite3.OperationalError, match="readonly"):
        store._reading().execute("DELETE FROM resource")


def test_two_stores_share_one_file(path, store):
    other = open_store(path)
    try:
        keys = SearchKeys("p", (TokenKey("Observation.code", "s", "c"),))
        put(store, "a", keys)
        put(other, "b", keys)
        put(store, "c", keys)
        clause = Clause(("Observation.code",), "token", (TokenValue("s", "c"),))
        page = asyncio.run(other.search(Query("Observation", (clause,))))
        assert [version.id for version in page.versions] == ["a", "b", "c"]
        assert [version.sequence for version in page.versions] == [1, 2, 3]
    finally:
        asyncio.run(other.close())


def test_a_work_that_breaks_the_database_statement_does_not_harm_its_group(store):
    async def broken(txn):
        txn._connection.execute("SELECT * FROM no_such_table")

    async def both():
        return await asyncio.gather(
            store.write("broken", broken),
            store.write("fine", lambda txn: txn.put("Observation", "a", b"{}", SearchKeys())),
            return_exceptions=True,
        )

    failed, written = asyncio.run(both())
    assert isinstance(failed, StoreUnavailable)
    assert written.version == 1


def test_a_locked_database_is_reported_and_the_store_goes_on(path, store):
    store._writing.execute("PRAGMA busy_timeout = 50")
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(StoreUnavailable, match="can't write now"):
            put(store)
        other.execute("ROLLBACK")
    assert put(store).version == 1


def test_work_must_not_wait(store):
    async def waiting(txn):
        await txn.put("Observation", "a", b"{}", SearchKeys())
        await asyncio.sleep(0)

    with pytest.raises(RuntimeError, match="must not wait"):
        asyncio.run(store.write("waiting", waiting))
    assert asyncio.run(store.read("Observation", "a")) is None


def test_a_search_that_takes_too_long_is_refused(store, monkeypatch):
    monkeypatch.setattr(sqlite, "_SEARCH_SECONDS", -1.0)
    monkeypatch.setattr(sqlite, "_STEPS", 1)
    put(store)
    with pytest.raises(TooCostly, match="take too long") as refused:
        asyncio.run(store.search(Query("Observation")))
    assert [issue.code for issue in refused.value.issues] == ["too-costly"]


PERSON = Clause(("Observation.subject",), "reference", (ReferenceValue(("Patient/p",)),))
CODE = Clause(("Observation.code",), "token", (TokenValue("s", "c"),))
SINCE = Clause(("Observation.date",), "date", (DateValue("ge", 1, 2),))


@pytest.mark.parametrize(
    ("clauses", "way"),
    [
        ((PERSON, CODE, SINCE), "k USING PRIMARY KEY (owner=? AND name=? AND code=?)"),
        ((PERSON,), "c USING INDEX current_owner (type=? AND owner=?)"),
        ((), "c USING INDEX current_type (type=?)"),
    ],
)
def test_a_search_reads_no_more_than_it_must(store, clauses, way):
    """No table is walked whole, however many patients there are."""
    sql, values = page(Query("Observation", clauses))
    plan = [row[3] for row in store._writing.execute(f"EXPLAIN QUERY PLAN {sql}", values)]
    assert not [line for line in plan if line.startswith("SCAN") and line != "SCAN page"], plan
    assert any(way in line for line in plan), plan


def test_a_page_is_sorted_without_its_texts(store):
    """The text of a resource is looked up when its page is known."""
    sql, values = page(Query("Observation", (PERSON,)))
    plan = [row[3] for row in store._writing.execute(f"EXPLAIN QUERY PLAN {sql}", values)]
    assert plan.index("SEARCH r USING INTEGER PRIMARY KEY (rowid=?)") > plan.index("SCAN page")


PLANS = {
    # type, parameters: what the plan says where it matters
    (
        "Observation",
        "patient=p&combo-code-value-quantity=x$5",
    ): "k USING PRIMARY KEY (owner=? AND name=? AND code=?",
    ("Observation", "patient.identifier=s|1&code=x"): "k USING PRIMARY KEY (target=? AND name=?)",
    ("Observation", "patient=p&value-quantity=gt5||mg"): "k USING PRIMARY KEY (owner=? AND name=?",
    ("Observation", "encounter=e"): "k USING PRIMARY KEY (target=? AND name=?)",
    ("Patient", "identifier=s|1"): "k USING PRIMARY KEY (owner=? AND name=? AND code=?)",
    (
        "Patient",
        "family=a&_has:Observation:patient:code=x",
    ): "k USING PRIMARY KEY (owner=? AND name=? AND value>?",
    ("Encounter", "date=ge2026"): "k USING PRIMARY KEY (owner=? AND name=?",
    ("Organization", "name=a"): "k USING PRIMARY KEY (owner=? AND name=? AND value>?",
    ("Questionnaire", "url=http://x"): "k USING PRIMARY KEY (owner=? AND name=? AND value=?)",
    ("Provenance", "target=Observation/1"): "k USING PRIMARY KEY (target=? AND name=?)",
}


@pytest.mark.parametrize(("type_", "params"), PLANS)
def test_searches_that_are_made_often_are_found_by_their_keys(store, type_, params):
    """No table is walked whole, and the type's resources are not gone through one by one."""
    clauses = parse_clauses(type_, parse_qsl(params), reader=Reader(ZoneInfo("UTC"), 0)).clauses
    sql, values = page(Query(type_, clauses))
    plan = [row[3] for row in store._writing.execute(f"EXPLAIN QUERY PLAN {sql}", values)]
    walked = [line for line in plan if line.startswith("SCAN") or line.endswith("current_type (type=?)")]
    assert walked == ["SCAN page"], plan
    assert any(PLANS[type_, params] in line for line in plan), plan


def test_one_file_of_the_store_and_those_of_code_lists_know_the_driver():
    """Code lists are files of their own, whatever the engine."""
    knowing = {
        path.name
        for path in SERVICE.rglob("*.py")
        if re.search(r"^\s*(import|from) sqlite3", path.read_text(), re.MULTILINE)
    }
    assert knowing == {"sqlite.py", "code_lists.py", "code_list_writing.py"}


def test_the_database_is_for_its_owner_alone(tmp_path):
    path = tmp_path / "data" / "store.sqlite"
    store = open_store(path)
    put(store)
    modes = {one.name: oct(one.stat().st_mode & 0o777) for one in path.parent.iterdir()}
    assert set(modes) >= {"store.sqlite", "store.sqlite-wal"}
    assert set(modes.values()) == {"0o600"}
    assert oct(path.parent.stat().st_mode & 0o777) == "0o700"
    asyncio.run(store.close())
