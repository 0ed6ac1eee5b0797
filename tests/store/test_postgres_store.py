"""What is particular to the store on PostgreSQL: many writers, lost connections, its tables."""

import asyncio
import re
import sqlite3
import tempfile
from collections import Counter
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import databases
import pytest
from databases import Server, ask, database

from service.errors import Conflict, InvalidInput, StoreUnavailable, StoreUnreachable, TooCostly
from service.fhir.search_query import Clause, ReferenceValue, TokenValue
from service.fhir.search_values import SearchKeys, TokenKey
from service.interactions import write
from service.interactions.context import Context, allow_everything
from service.store import postgres
from service.store.audit import Event
from service.store.audit_verify import verify
from service.store.contract import History, Query, VisitKey
from service.store.migrations import SCHEMA_VERSION
from service.store.postgres import PostgresStore
from service.store.postgres_sql import POSTGRES, in_postgres
from service.store.search_sql import page
from service.store.sqlite import SqliteStore

SERVICE = Path(postgres.__file__).parents[1]
NOW = datetime(2026, 2, 4, 10, 0, tzinfo=UTC)
CODE = "Observation.code"
ONE_CODE = Clause((CODE,), "token", (TokenValue("s", "c1"),))
PERSON = Clause(("Observation.subject",), "reference", (ReferenceValue(("Patient/p1",)),))
EVENT = Event(
    *("rest", "read", "R", "0", "", "ann", ("Patient/p",)),
    body='"type":{"code":"rest"},"subtype":[{"code":"read"}],"action":"R","outcome":"0",'
    '"agent":[{"altId":"ann"}],"entity":[{"what":{"reference":"Patient/p"}}]',
)
CONTEXT = Context("https://here.example/fhir", allow_everything)


def clock():
    return NOW


def open_store(url):
    return PostgresStore.open(url, clock=clock)


def stores(url, number=2):
    return databases.stores(url, number, clock)


def put(id_, keys=SearchKeys()):  # noqa: B008 - immutable
    return lambda txn: txn.put("Observation", id_, b"{}", keys)


def patient(number):
    return b'{"resourceType":"Patient","identifier":[{"system":"urn:x","value":"%d"}]}' % number


def test_a_conditional_create_by_many_at_once_creates_one(database_url):
    async def race():
        async with stores(database_url, 3) as opened:
            for number in range(5):
                query = f"identifier=urn:x|{number}"
                applied = await asyncio.gather(
                    *(
                        write.create(store, "Patient", patient(number), context=CONTEXT, if_none_exist=query)
                        for store in opened * 5
                    )
                )
                assert Counter(one.outcome for one in applied) == {"created": 1, "unchanged": 14}
                assert len({one.version.id for one in applied}) == 1

    asyncio.run(race())


def test_works_that_rely_on_each_others_absence_are_not_both_done(database_url):
    """Each looks for what the other is about to write; whoever comes second finds it."""
    both, met = asyncio.Barrier(2), set()

    def unless(other, mine):
        async def work(txn):
            found = await txn.find("Observation", "urn:x", other)
            if mine not in met:  # the first time round
                met.add(mine)
                await both.wait()
            if not found:
                await txn.put("Observation", mine, b"{}", identified(mine))

        return work

    async def race():
        async with stores(database_url) as (one, other):
            await asyncio.gather(one.write("a", unless("b", "a")), other.write("b", unless("a", "b")))
            return [await one.read("Observation", id_) for id_ in ("a", "b")]

    assert sum(version is not None for version in asyncio.run(race())) == 1


def identified(value):
    return SearchKeys(tokens=(TokenKey("Observation.identifier", "urn:x", value, wide=True),))


def test_versions_of_one_resource_by_many_writers_are_in_order(database_url):
    async def race():
        async with stores(database_url, 3) as opened:
            await asyncio.gather(*(store.write("put", put("a")) for store in opened * 8))
            return (await opened[0].history(History(("Observation",), "a", count=100))).versions

    versions = asyncio.run(race())
    assert [version.version for version in versions] == list(range(24, 0, -1))
    assert [version.sequence for version in versions] == sorted(
        (version.sequence for version in versions), reverse=True
    )
    assert len({version.last_updated for version in versions}) == 24


def test_changes_never_appear_behind_what_was_read(database_url):
    """A slow transaction with low numbers holds back those that committed before it."""

    async def race():
        async with stores(database_url) as (store, other):
            await store.write("first", put("first"))
            written, go_on = asyncio.Event(), asyncio.Event()

            async def slow(txn):
                await txn.put("Observation", "slow", b"{}", SearchKeys())
                written.set()
                await go_on.wait()

            slowly = asyncio.create_task(store.write("slow", slow))
            await written.wait()
            await other.write("quick", put("quick"))
            during = [version.id async for version in other.changes()]
            go_on.set()
            await slowly
            after = [version async for version in other.changes()]
            return during, [version.id for version in after], [version.sequence for version in after]

    during, after, sequences = asyncio.run(race())
    assert during == ["first"]
    assert after == ["first", "slow", "quick"]
    assert sequences == sorted(sequences)


def test_readers_of_changes_miss_nothing_while_many_write(database_url):
    async def follow(store, seen, done):
        after = 0
        while True:
            last = done.is_set()
            async for version in store.changes(after):
                assert version.sequence > after
                after = version.sequence
                seen.append(version.id)
            if last:
                return
            await asyncio.sleep(0)

    async def race():
        async with stores(database_url, 3) as (reader, *writers):
            seen, done = [], asyncio.Event()
            following = asyncio.create_task(follow(reader, seen, done))
            await asyncio.gather(
                *(writers[n % 2].write("put", put(f"r{n}", SearchKeys(f"p{n}"))) for n in range(150))
            )
            done.set()
            await following
            return seen

    assert Counter(asyncio.run(race())) == Counter(f"r{n}" for n in range(150))


def test_one_visit_is_claimed_by_one_process(database_url):
    def claim(value):
        return lambda txn: txn.claim_visit(VisitKey("s", value, "p", "t"))

    async def race():
        async with stores(database_url, 3) as opened:
            claims = (store.write("claim", claim(f"{number}")) for store in opened for number in range(4))
            return await asyncio.gather(*claims, return_exceptions=True)

    results = asyncio.run(race())
    assert {type(result) for result in results} == {type(None), Conflict}
    # the winner's number was claimed by the same number of other processes as well, which is no conflict
    assert 1 <= sum(result is None for result in results) <= 3


def test_nothing_refers_to_what_was_deleted_meanwhile(database_url):
    """Deleting what nobody refers to, and referring to what is there: one of the two is told to go back."""
    integral = Context("https://here.example/fhir", allow_everything, enforce_references=True)
    note = b'{"resourceType":"Observation","status":"final","code":{"text":"x"},"subject":%s}'

    async def race():
        async with stores(database_url) as (one, other):
            for number in range(8):
                person = b'{"resourceType":"Patient","id":"p%d"}' % number
                await write.update(one, "Patient", f"p{number}", person, context=integral)
                await asyncio.gather(
                    write.delete(one, "Patient", f"p{number}", context=integral),
                    write.create(
                        other,
                        "Observation",
                        note % (b'{"reference":"Patient/p%d"}' % number),
                        context=integral,
                    ),
                    return_exceptions=True,
                )
            people = [await one.read("Patient", f"p{number}") for number in range(8)]
            notes = (await one.search(Query("Observation"))).versions
            return people, notes

    people, notes = asyncio.run(race())
    gone = {f"Patient/{person.id}".encode() for person in people if person.deleted}
    assert not [note for note in notes for name in gone if b'"' + name + b'"' in note.content]
    assert len(gone) + len(notes) == 8


def test_a_work_that_never_wins_is_told_to_try_again(database_url, monkeypatch):
    monkeypatch.setattr(postgres, "_ATTEMPTS", 2)
    runs = []

    async def race():
        async with stores(database_url) as (one, other):
            await one.write("put", put("a"))

            async def work(txn):
                runs.append(1)
                await txn.read("Observation", "a")
                await other.write("in between", put("a"))
                await txn.put("Observation", "a", b"{}", SearchKeys())

            with pytest.raises(StoreUnavailable, match="try again"):
                await one.write("late", work)

    asyncio.run(race())
    assert len(runs) == 2


def test_a_work_that_lost_often_wins_as_others_wait_for_it(database_url):
    rivals = []

    async def race():
        async with stores(database_url) as (one, other):
            await one.write("put", put("a"))

            async def work(txn):
                await txn.read("Observation", "a")
                rival = asyncio.create_task(other.write("in between", put("a")))
                done, _ = await asyncio.wait(
                    [rival], timeout=0.5 if len(rivals) >= postgres._IN_TURN else None
                )
                rivals.append(bool(done))
                await txn.put("Observation", "a", b"{}", SearchKeys())
                return rival

            await (await one.write("late", work))
            history = await one.history(History(("Observation",), "a"))
            assert [version.version for version in history.versions] == list(range(len(rivals) + 2, 0, -1))

    asyncio.run(race())
    assert rivals == [True] * postgres._IN_TURN + [False]


def test_works_that_share_nothing_do_not_meet_in_the_trail(database_url):
    runs = []

    async def race():
        async with stores(database_url, 1) as (store,):

            async def writer(number):
                async def work(txn):
                    runs.append(number)
                    await txn.put("Observation", str(number), b"{}", SearchKeys())
                    await txn.audit([EVENT])

                for _ in range(10):
                    await store.write("recorded", work)
                    await store.audit([EVENT])

            await store.write("words", put("words"))
            await asyncio.gather(*(writer(number) for number in range(4)))
            verdict = await verify(store)
            assert verdict.faults == []
            assert len(verdict.ends) <= 5  # as many as were open at once, and one for what belongs to no work

    asyncio.run(race())
    assert len(runs) == 40


def test_a_chain_goes_on_behind_a_work_that_failed(database_url):
    async def work(txn):
        await txn.audit([EVENT])
        raise Conflict("no")

    async def race():
        async with stores(database_url, 1) as (store,):
            for _ in range(3):
                with pytest.raises(Conflict):
                    await store.write("fails", work)
                await store.write("recorded", lambda txn: txn.audit([EVENT]))
            assert [end.place for end in await store.ends()] == [4]
            assert (await verify(store)).faults == []

    asyncio.run(race())


def test_many_loading_at_once_share_words_without_a_mistake(database_url):
    def resource(number):
        code = TokenKey("Observation.code", f"urn:system:{number % 7}", "c")
        return put(f"r{number}", SearchKeys(f"p{number % 5}", (code,)))

    async def race():
        async with stores(database_url, 4) as opened:
            await asyncio.gather(*(opened[n % 4].write("put", resource(n)) for n in range(80)))

    asyncio.run(race())
    words = [row[0] for row in ask(database_url, "SELECT text FROM word WHERE text LIKE 'urn:system:%'")]
    assert sorted(words) == [f"urn:system:{number}" for number in range(7)]
    filed = ask(
        database_url,
        "SELECT c.id, w.text FROM token t JOIN current c USING (key) JOIN word w ON w.key = t.system",
    )
    assert dict(filed) == {f"r{n}": f"urn:system:{n % 7}" for n in range(80)}


def test_a_lost_server_is_reported_and_found_again():
    with tempfile.TemporaryDirectory(prefix="swallow-postgres-", ignore_cleanup_errors=True) as folder:
        server = Server(Path(folder))
        server.start()
        try:
            asyncio.run(lose_and_find(server))
        finally:
            server.stop()


async def lose_and_find(server):
    async with stores(f"{server.url}/postgres", 1) as (store,):
        await store.write("put", put("a"))
        started = asyncio.Event()

        async def interrupted(txn):
            await txn.put("Observation", "b", b"{}", SearchKeys())
            started.set()
            await asyncio.sleep(1)
            await txn.search(Query("Observation"))

        working = asyncio.create_task(store.write("interrupted", interrupted))
        await started.wait()
        await asyncio.to_thread(server.stop)
        with pytest.raises(StoreUnavailable):
            await working
        for ask_it in (
            store.read("Observation", "a"),
            store.write("put", put("c")),
            store.search(Query("Goal")),
        ):
            with pytest.raises(StoreUnavailable):
                await ask_it
        await asyncio.to_thread(server.start)
        assert (await store.read("Observation", "a")).version == 1
        assert await store.read("Observation", "b") is None
        assert (await store.write("put", put("c"))).version == 1


def test_a_server_that_is_not_there_is_told(postgres_server):
    with pytest.raises(StoreUnavailable, match="can't be opened"):
        asyncio.run(open_store(f"{postgres_server}/no_such_database"))
    with pytest.raises(StoreUnreachable, match="does not answer"):
        asyncio.run(open_store("postgresql://postgres@127.0.0.1:1/none"))
    with pytest.raises(StoreUnavailable, match="can't be opened"):
        asyncio.run(open_store("not an address"))


def test_a_database_of_another_version_or_encoding_is_refused(postgres_server):
    with database(postgres_server) as url:
        asyncio.run(opened_and_closed(url))
        says(url, SCHEMA_VERSION + 5, SCHEMA_VERSION)
        asyncio.run(opened_and_closed(url))  # newer, but this program may still use it
        says(url, SCHEMA_VERSION + 5, SCHEMA_VERSION + 1)
        with pytest.raises(StoreUnavailable, match="written by a newer program"):
            asyncio.run(opened_and_closed(url))
        says(url, SCHEMA_VERSION - 1, 0)
        with pytest.raises(StoreUnavailable, match="swallow-interop migrate"):
            asyncio.run(opened_and_closed(url))
    with database(postgres_server, encoding="LATIN1") as url, pytest.raises(StoreUnavailable, match="UTF8"):
        asyncio.run(opened_and_closed(url))


def says(url, version, compatible_with):
    """Let the database say of which version it is."""
    ask(url, f"UPDATE schema_version SET version = {version}, compatible_with = {compatible_with}")  # noqa: S608 - our own numbers


async def opened_and_closed(url):
    await (await open_store(url)).close()


def test_processes_that_start_together_make_the_tables_once(postgres_server):
    async def start(url):
        for store in await asyncio.gather(*(open_store(url) for _ in range(4))):
            await store.close()

    with database(postgres_server) as url:
        asyncio.run(start(url))
        assert len(ask(url, "SELECT * FROM schema_version")) == 1


def test_both_engines_have_the_same_tables(database_url, tmp_path):
    asyncio.run(SqliteStore(tmp_path / "store.sqlite", clock=clock).close())
    asyncio.run(opened_and_closed(database_url))
    with closing(sqlite3.connect(tmp_path / "store.sqlite")) as connection:
        names = [row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
        here = {name: {row[1] for row in connection.execute(f"PRAGMA table_info({name})")} for name in names}
    there: dict[str, set[str]] = {}
    for table, column in ask(
        database_url,
        "SELECT c.relname, a.attname FROM pg_class c JOIN pg_attribute a ON a.attrelid = c.oid "
        "WHERE c.relkind IN ('r', 'p') AND NOT c.relispartition AND a.attnum > 0 "
        "AND c.relnamespace = 'public'::regnamespace",
    ):
        there.setdefault(table, set()).add(column)
    assert there.pop("guard") == {"key", "turn"}
    assert here.pop("audit_filed") == here.pop("audit_unfiled")
    assert there.pop("audit_target") == {"target", "recorded", "chain", "place"}
    assert there == here


def test_only_one_file_knows_the_driver():
    knowing = [
        path.name
        for path in SERVICE.rglob("*.py")
        if re.search(r"^\s*(import|from) asyncpg", path.read_text(), re.MULTILINE)
    ]
    assert knowing == ["postgres.py"]


def test_a_search_that_takes_too_long_is_refused(database_url, monkeypatch):
    monkeypatch.setitem(postgres._SESSION, "statement_timeout", "300")

    async def search():
        async with stores(database_url, 1) as (store,):
            await store._reading(lambda connection: connection.fetch("SELECT pg_sleep(5)"))

    with pytest.raises(TooCostly, match="take too long") as refused:
        asyncio.run(search())
    assert [issue.code for issue in refused.value.issues] == ["too-costly"]


def test_very_long_values_are_found_and_unusable_ones_refused(database_url):
    long = "x" * 5_000
    keys = [SearchKeys(tokens=(TokenKey(CODE, "s" * 5_000, value),)) for value in (long + "1", long + "2")]

    async def find():
        async with stores(database_url, 1) as (store,):
            await store.write("put", put("a", keys[0]))
            await store.write("put", put("b", keys[1]))
            clause = Clause((CODE,), "token", (TokenValue("s" * 5_000, long + "2"),))
            found = await store.search(Query("Observation", (clause,)))
            assert [version.id for version in found.versions] == ["b"]
            nothing = Clause((CODE,), "token", (TokenValue(None, "with\0nought"),))
            with pytest.raises(InvalidInput, match="can't be stored"):
                await store.search(Query("Observation", (nothing,)))

    asyncio.run(find())


@pytest.mark.parametrize("beside", [(), (PERSON,)], ids=["alone", "with a person"])
def test_many_clauses_are_planned_one_by_one(database_url, beside):
    """As one join over all of them they would be planned for minutes, and refused as too costly."""
    clauses = (*beside, *(Clause((CODE,), "token", (TokenValue(None, "x"),)),) * 200)
    sql, _ = in_postgres(page(Query("Observation", clauses), POSTGRES), lambda _text: None)
    assert sql.count(" OFFSET 0)") >= 200

    async def search():
        async with stores(database_url, 1) as (store,):
            return await store.search(Query("Observation", clauses))

    assert asyncio.run(search()).versions == ()


def test_a_search_reads_no_more_than_it_must(database_url):
    """No table is walked whole, however many patients there are."""
    searches = {(PERSON, ONE_CODE): "token_._pkey", (PERSON,): "current_owner", (): "current_(type|pkey)"}
    keys = (SearchKeys(f"p{n % 500}", (TokenKey(CODE, "s", f"c{n % 40}"),)) for n in range(10_000))

    async def fill(txn):
        for number, one in enumerate(keys):
            await txn.put("Observation", f"r{number}", b"{}", one)

    async def explained(store, clauses):
        sql, values = in_postgres(page(Query("Observation", clauses), POSTGRES), store._words.known)
        async with store._connection() as connection:
            return [row[0] for row in await connection.fetch(f"EXPLAIN {sql}", *values)]

    async def plans():
        async with stores(database_url, 1) as (store,):
            await store.write("fill", fill)
            async with store._connection() as connection:
                await connection.execute("ANALYZE")
            return {index: await explained(store, clauses) for clauses, index in searches.items()}

    for index, plan in asyncio.run(plans()).items():
        assert [line for line in plan if re.search(index, line)], plan
        assert not [line for line in plan if re.search("Seq Scan on (token|current|resource|date)", line)], (
            plan
        )
