"""Changes of the trail behind the program's back are found, as far as others name what was there."""

import asyncio
import sqlite3
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import asyncpg
import pytest
from databases import AnyLoop, database

from service.fhir.search_query import Clause, ReferenceValue
from service.store import sqlite_audit
from service.store.audit import Event, hash_of
from service.store.audit_links import Named
from service.store.audit_verify import verify
from service.store.contract import Query
from service.store.sqlite import SqliteStore
from service.store.sqlite_accesses import accesses_path

BODY = (
    '"type":{"code":"rest"},"subtype":[{"code":"read"}],"action":"R","outcome":"0",'
    '"agent":[{"altId":"ann"}],"entity":[{"what":{"reference":"Patient/%s"}}]'
)
CHANGES = (
    "audit_not_changed",
    "audit_not_deleted",
    "audit_filed_not_changed",
    "audit_filed_not_deleted",
    "audit_unfiled_not_changed",
    "audit_ends",
    "audit_names",
)


END = (
    "UPDATE audit_chain SET place = ?1, "
    "hash = (SELECT hash FROM audit WHERE chain = ?2 AND place = ?1) WHERE chain = ?2"
)


def event(patient):
    return Event("rest", "read", "R", "0", "", "ann", (f"Patient/{patient}",), BODY % patient)


class Clock:
    now = datetime(2026, 2, 4, 10, 0, tzinfo=UTC)

    def __call__(self) -> datetime:
        return self.now


def record(store, patient):
    """Record an event with a write."""
    asyncio.run(store.write("audit", lambda txn: txn.audit([event(patient)])))


def written(path, *, rows=6):
    """A process that records some events with what it writes; answers the name of its chain."""
    store = SqliteStore(path, clock=Clock())
    before = {one.chain for one in asyncio.run(store.ends())}
    for number in range(rows):
        record(store, f"p{number}")
    (chain,) = {one.chain for one in asyncio.run(store.ends())} - before
    asyncio.run(store.close())
    return chain


def tampered(path, *statements):
    """Change the file as somebody with every right to it could."""
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        for trigger in CHANGES:
            connection.execute(f"DROP TRIGGER IF EXISTS {trigger}")
        for sql, values in statements:
            assert connection.execute(sql, values).rowcount


def verdict(path, known=()):
    store = SqliteStore(path, clock=Clock())
    found = asyncio.run(verify(store, known))
    asyncio.run(store.close())
    return found


def faults(path, known=()):
    return [(one.where, one.what.split(",")[0]) for one in verdict(path, known).faults]


@pytest.fixture
def path(tmp_path):
    return tmp_path / "store.sqlite"


def test_a_trail_nobody_touched_has_no_faults(path):
    written(path)
    written(path, rows=3)
    found = verdict(path)
    assert found.faults == []
    assert found.rows == 6 + 3 + 2
    assert sorted(one.place for one in found.ends) == [4, 7]


def test_others_may_write_meanwhile(path):
    written(path)

    async def both(store):
        async def more():
            for number in range(40):
                await store.audit([event(number)])
                await store.write("audit", lambda txn: txn.audit([event("p")]))

        found, _ = await asyncio.gather(verify(store), more())
        return found

    store = SqliteStore(path, clock=Clock())
    assert asyncio.run(both(store)).faults == []
    asyncio.run(store.close())


def test_a_changed_row(path):
    chain = written(path)
    sql = (
        "UPDATE audit SET content = replace(content, '\"ann\"', '\"bob\"'), subject = 'bob' "
        "WHERE chain = ? AND place = 3"
    )
    tampered(path, (sql, (chain,)))
    assert faults(path) == [(f"{chain}-3", "it")]


def test_a_changed_row_with_its_hash(path):
    chain = written(path)
    with closing(sqlite3.connect(path)) as connection:
        rows = connection.execute("SELECT hash, content FROM audit ORDER BY place").fetchall()
    content = rows[2][1].replace("ann", "bob")
    values = (content, hash_of(rows[1][0], content), chain)
    sql = "UPDATE audit SET content = ?, subject = 'bob', hash = ? WHERE chain = ? AND place = 3"
    tampered(path, (sql, values))
    assert faults(path) == [(f"{chain}-4", "it")]


@pytest.mark.parametrize(
    "sql",
    [
        "UPDATE audit SET agent = 'Practitioner/x' WHERE chain = ? AND place = 7",
        "UPDATE audit SET outcome = '8' WHERE chain = ? AND place = 7",
        "UPDATE audit SET recorded = recorded + 1 WHERE chain = ? AND place = 7",
        "UPDATE audit SET subject = '' WHERE chain = ? AND place = 7",
    ],
)
def test_a_row_filed_under_something_else(path, sql):
    chain = written(path)
    tampered(path, (sql, (chain,)))
    assert faults(path) == [(f"{chain}-7", "it is filed under something else than its content says")]


def test_a_removed_row(path):
    chain = written(path)
    tampered(path, ("DELETE FROM audit WHERE chain = ? AND place = 4", (chain,)))
    left = (chain, "of rows 1 to 100 some are found by other targets than they name")
    assert faults(path) == [(chain, "rows 4 to 4 are missing"), left]
    tampered(path, ("DELETE FROM audit_unfiled WHERE chain = ? AND place = 4", (chain,)))
    assert faults(path) == [(chain, "rows 4 to 4 are missing")]


def test_two_rows_that_changed_places(path):
    chain = written(path)
    swap = "UPDATE audit SET place = ? WHERE chain = ? AND place = ?"
    tampered(path, (swap, (-1, chain, 3)), (swap, (3, chain, 4)), (swap, (4, chain, -1)))
    assert {where for where, _ in faults(path)} == {f"{chain}-3", f"{chain}-4", f"{chain}-5"}


def test_an_inserted_row(path):
    chain = written(path)
    sql = (
        "INSERT INTO audit SELECT chain, 8, recorded, type, subtype, action, outcome, agent, subject, hash, "
        "content FROM audit WHERE chain = ? AND place = 7"
    )
    tampered(path, (sql, (chain,)))
    found = faults(path)
    assert (f"{chain}-8", "it") in found
    assert (chain, "it goes on behind row 7") in found


def test_an_end_that_is_cut_off(path):
    chain = written(path)
    tampered(
        path,
        ("DELETE FROM audit WHERE chain = ? AND place > 5", (chain,)),
        ("DELETE FROM audit_unfiled WHERE chain = ? AND place > 5", (chain,)),
    )
    assert faults(path) == [(chain, "it is cut off: row 7 is named")]


def test_an_end_cut_off_and_hidden_is_missed_by_the_next_chain(path):
    chain = written(path)
    written(path, rows=1)
    tampered(
        path,
        ("DELETE FROM audit WHERE chain = ? AND place > 5", (chain,)),
        (END, (5, chain)),
    )
    assert faults(path) == [(chain, "it is cut off: row 7 is named")]


def test_a_chain_that_is_gone_altogether_is_missed(path):
    chain = written(path)
    written(path, rows=1)
    tampered(
        path,
        ("DELETE FROM audit WHERE chain = ?", (chain,)),
        ("DELETE FROM audit_chain WHERE chain = ?", (chain,)),
    )
    assert faults(path) == [(chain, "it is cut off: row 7 is named")]


def test_a_chain_made_anew_is_found_by_the_one_that_names_it(path):
    chain = written(path)
    written(path, rows=1)
    with closing(sqlite3.connect(path)) as connection:
        sql = "SELECT place, content FROM audit WHERE chain = ? ORDER BY place"
        rows = connection.execute(sql, (chain,)).fetchall()
    before, changes = "", []
    for place, content in rows:
        changed = content.replace("ann", "bob")
        before = hash_of(before, changed)
        sql = "UPDATE audit SET content = ?, hash = ? WHERE chain = ? AND place = ?"
        changes.append((sql, (changed, before, chain, place)))
    changes += [
        ("UPDATE audit SET subject = 'bob' WHERE chain = ? AND subject <> ''", (chain,)),
        ("UPDATE audit_chain SET hash = ? WHERE chain = ?", (before, chain)),
    ]
    tampered(path, *changes)
    assert faults(path) == [(f"{chain}-7", "another chain")]


def test_what_no_other_chain_names_is_found_by_an_end_written_down_before(path):
    chain = written(path)
    ends = verdict(path).ends
    tampered(
        path,
        ("DELETE FROM audit WHERE chain = ? AND place > 5", (chain,)),
        (END, (5, chain)),
    )
    assert faults(path) == []
    assert faults(path, ends) == [(chain, "it is cut off: row 7 is named")]
    assert faults(path, [Named(chain, 5, "0" * 64)]) == [(f"{chain}-5", "another chain")]


def test_long_chains_name_each_other(path):
    clock = Clock()
    one, two = (SqliteStore(path, clock=clock) for _ in range(2))
    for _ in range(3):
        for store in (one, two):
            record(store, "p")
        clock.now += timedelta(minutes=10)
    first = min(asyncio.run(two.ends()))
    for store in (one, two):
        asyncio.run(store.close())
    tampered(
        path,
        ("DELETE FROM audit WHERE chain = ? AND place > 1", (first.chain,)),
        (END, (1, first.chain)),
    )
    assert [where for where, _ in faults(path)] == [first.chain]


@pytest.fixture(params=["audit_unfiled", "audit_filed"])
def targets(request, monkeypatch):
    """The table in which what rows are found by lies: at once, or when there is enough of it to be filed."""
    if request.param == "audit_filed":
        monkeypatch.setattr(sqlite_audit, "_WAITING", 1)
    return request.param


@pytest.mark.parametrize(
    "sql",
    [
        "DELETE FROM {} WHERE chain = ? AND place = 5",
        "UPDATE {} SET target = 'Patient/x' WHERE chain = ? AND place = 5",
        "INSERT INTO {} SELECT 'x', 0, chain, place FROM audit WHERE chain = ? AND place = 7",
    ],
)
def test_what_a_row_is_found_by_changed(path, sql, targets):
    chain = written(path)
    tampered(path, (sql.format(targets), (chain,)))
    assert faults(path) == [(chain, "of rows 1 to 100 some are found by other targets than they name")]


def found(store, patient):
    clause = Clause(("AuditEvent.entity",), "reference", (ReferenceValue((f"Patient/{patient}",)),))
    return asyncio.run(store.audited(Query("AuditEvent", (clause,)))).total


def test_accesses_are_found_before_and_after_they_are_filed(path, monkeypatch):
    monkeypatch.setattr(sqlite_audit, "_WAITING", 1_500)
    store = SqliteStore(path, clock=Clock())
    numbers = []
    for _ in range(5):  # a chain looks whether there is enough after every thousand rows
        asyncio.run(store.audit([event("p")] * 500))
        with closing(sqlite3.connect(accesses_path(path))) as connection:
            sql = "SELECT (SELECT count(*) FROM audit_filed), (SELECT count(*) FROM audit_unfiled)"
            numbers.append(connection.execute(sql).fetchone())
        assert found(store, "p") == 500 * len(numbers)
    assert numbers == [(0, 500), (0, 1000), (1500, 0), (1500, 500), (1500, 1000)]
    assert asyncio.run(verify(store)).faults == []
    asyncio.run(store.close())


def test_a_chain_that_is_said_to_have_lost_older_rows_than_it_could_have(path):
    clock = Clock()
    one, two = (SqliteStore(path, clock=clock) for _ in range(2))
    for _ in range(3):  # after ten minutes each names where the other ends
        for store in (one, two):
            record(store, "p")
        clock.now += timedelta(minutes=10)
    first = min(asyncio.run(two.ends()))
    for store in (one, two):
        asyncio.run(store.close())
    begun = (
        "INSERT INTO audit_begun SELECT chain, place, recorded - ?, hash "
        "FROM audit WHERE chain = ? AND place = ?"
    )
    tampered(
        path,
        (begun, (365 * 86_400_000, first.chain, first.place - 1)),
        ("DELETE FROM audit WHERE chain = ? AND place < ?", (first.chain, first.place)),
        ("DELETE FROM audit_unfiled WHERE chain = ? AND place < ?", (first.chain, first.place)),
    )
    ((where, what),) = [(one.where, one.what) for one in verdict(path).faults]
    assert where == first.chain
    assert f"it begins behind row {first.place - 1}, noted as of 2025-02-04" in what
    assert "but ended before that row at 2026-02-04" in what


def test_what_can_not_be_filed_is_recorded_found_and_named(path, monkeypatch):
    """Filing takes more room than recording: a disk that is nearly full lacks it first."""

    def full(_connection):
        raise sqlite3.OperationalError("database or disk is full")

    monkeypatch.setattr(sqlite_audit, "_WAITING", 1)
    monkeypatch.setattr(sqlite_audit, "_file", full)
    store = SqliteStore(path, clock=Clock())
    asyncio.run(store.audit([event("p")] * 3))  # nobody is refused
    for _ in range(2):
        record(store, "p")
    assert found(store, "p") == 5
    (end,) = (one for one in asyncio.run(store.ends()) if one.place == 4)
    asyncio.run(store.close())
    with closing(sqlite3.connect(path)) as connection:
        links = connection.execute("SELECT content FROM audit WHERE subtype = 'link'").fetchall()
    assert any(f'"4 {end.hash}"' in content for (content,) in links)
    monkeypatch.undo()
    assert verdict(path).faults == []


def test_what_an_event_names_twice_it_is_found_by_once(path, targets):
    store = SqliteStore(path, clock=Clock())
    named = ["Patient/p", "Observation/1/_history/2", "Patient/p/_history/3"]
    more = "".join(f',{{"what":{{"reference":"{one}"}}}}' for one in named)
    other = ',{"what":{"identifier":{"value":"x","assigner":{"reference":"Organization/1"}}}}]'
    body = BODY % "p"
    twice = event("p")._replace(body=body[:-1] + more + other, targets=("Patient/p", "Observation/1"))
    asyncio.run(store.write("audit", lambda txn: txn.audit([twice])))
    asyncio.run(store.close())
    with closing(sqlite3.connect(path)) as connection:
        rows = connection.execute(f"SELECT target FROM {targets} ORDER BY 1").fetchall()  # noqa: S608
    assert rows == [("Observation/1",), ("Patient/p",)]
    assert verdict(path).faults == []


def accessed(path, *, rows=6):
    """A process that records accesses alone; answers the name of their chain."""
    store = SqliteStore(path, clock=Clock())
    for number in range(rows):
        asyncio.run(store.audit([event(f"p{number}")]))
    chain = next(one.chain for one in asyncio.run(store.ends()) if one.place == rows + 1)
    asyncio.run(store.close())
    return chain


def test_accesses_lie_in_a_file_of_their_own(path):
    chain = accessed(path)
    with closing(sqlite3.connect(path)) as connection:
        links = connection.execute("SELECT subtype FROM audit").fetchall()
    assert set(links) == {("link",)}
    with closing(sqlite3.connect(accesses_path(path))) as connection:
        assert connection.execute("SELECT DISTINCT chain FROM audit").fetchall() == [(chain,)]
    assert accesses_path(path).stat().st_mode & 0o777 == 0o600
    assert verdict(path).faults == []


def test_a_missing_file_of_accesses_is_missed(path):
    chain = accessed(path)
    accesses_path(path).unlink()
    assert faults(path) == [(chain, "it is cut off: row 7 is named")]
    written(path)
    assert faults(path) == [(chain, "it is cut off: row 7 is named")]


def test_the_file_of_accesses_of_another_database_is_none_of_this(path, tmp_path):
    chain = accessed(path)
    other = tmp_path / "other" / "store.sqlite"
    accessed(other)
    accesses_path(other).replace(accesses_path(path))
    assert (chain, "it is cut off: row 7 is named") in faults(path)


def test_a_missing_database_is_missed(path):
    chain = written(path)
    accessed(path)
    path.unlink()
    assert (chain, "it is cut off: row 7 is named") in faults(path)


def test_accesses_cut_off_and_hidden_are_missed_by_the_database(path):
    chain = accessed(path)
    tampered(
        accesses_path(path),
        ("DELETE FROM audit WHERE chain = ? AND place > 5", (chain,)),
        ("DELETE FROM audit_unfiled WHERE chain = ? AND place > 5", (chain,)),
        (END, (5, chain)),
    )
    assert faults(path) == [(chain, "it is cut off: row 7 is named")]


def test_a_long_run_of_accesses_is_named_while_it_goes_on(path):
    store = SqliteStore(path, clock=Clock())
    asyncio.run(store.audit([event("p")] * 1_000))
    asyncio.run(store.audit([event("p")]))  # names the others, and has the database name its end
    record(store, "p")  # waits behind that
    asyncio.run(store.close())
    with closing(sqlite3.connect(path)) as connection:
        links = connection.execute("SELECT content FROM audit WHERE subtype = 'link'").fetchall()
    assert any('"1003 ' in content for (content,) in links)


@pytest.mark.parametrize("sql", ["UPDATE audit SET outcome = '8'", "DELETE FROM audit"])
@pytest.mark.parametrize("table", ["audit", "audit_filed"])
@pytest.mark.parametrize("file", [Path, accesses_path])
def test_sqlite_refuses_to_change_the_trail(path, sql, table, file, monkeypatch):
    monkeypatch.setattr(sqlite_audit, "_WAITING", 1)
    written(path)
    accessed(path)
    sql = sql.replace("audit", table).replace("outcome", "outcome" if table == "audit" else "target")
    with (
        closing(sqlite3.connect(file(path))) as connection,
        pytest.raises(sqlite3.IntegrityError, match="never"),
    ):
        connection.execute(sql)


@pytest.mark.parametrize("sql", ["UPDATE audit SET place = 0", "DELETE FROM audit", "TRUNCATE audit"])
@pytest.mark.parametrize("table", ["audit", "audit_target"])
def test_postgres_refuses_to_change_the_trail(postgres_server, sql, table):
    async def asked(url):
        connection = await asyncpg.connect(url)
        try:
            await connection.execute(sql.replace("audit", table))
        finally:
            await connection.close()

    with database(postgres_server) as url:
        store = AnyLoop(url, Clock())
        asyncio.run(store.audit([event("p")]))
        asyncio.run(store.close())
        with pytest.raises(asyncpg.RaiseError, match="never"):
            asyncio.run(asked(url))


def test_on_postgres_a_changed_row_is_found(postgres_server):
    with database(postgres_server) as url:
        store = AnyLoop(url, Clock())
        for number in range(5):
            asyncio.run(store.audit([event(number)]))
        assert asyncio.run(verify(store)).faults == []

        async def change():
            connection = await asyncpg.connect(url)
            await connection.execute("SET session_replication_role = replica")
            await connection.execute(
                "UPDATE audit SET content = replace(content, 'ann', 'bob') WHERE place = 3"
            )
            await connection.execute("DELETE FROM audit_target WHERE place = 4")
            await connection.close()

        asyncio.run(change())
        *changed, unfound = asyncio.run(verify(store)).faults
        asyncio.run(store.close())
    assert {one.where.rpartition("-")[2] for one in changed} == {"3"}
    assert "found by other targets" in unfound.what
