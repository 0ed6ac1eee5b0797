"""Nothing is left of who was erased: no byte in SQLite's files, no row in PostgreSQL's tables."""

import asyncio
import json
import random
from datetime import UTC, datetime

import pytest
from databases import AnyLoop, ask, stores

from service.errors import Conflict
from service.fhir.search_keys import extract
from service.fhir.search_query import Clause, StringValue
from service.jobs.erasure import Eraser, Erasure
from service.store.contract import Query
from service.store.sqlite import SqliteStore

NOW = datetime(2026, 2, 4, 10, 0, tzinfo=UTC)
ERASURE = Erasure("2026-02-04T10:00:00.000Z", "asked by letter", "person", "root")
PLANTED = "Zzyzx-Planted"
TEXT = Clause(("Observation.code",), "token", (StringValue("shared words"),), modifier="text")


def clock():
    return NOW


def run(work):
    return asyncio.run(work)


def keys_of(version):
    return extract(json.loads(version.content))


def observation(id_, patient, text):
    return {
        "resourceType": "Observation",
        "id": id_,
        "status": "final",
        "code": {"text": text, "coding": [{"system": "http://loinc.org", "code": "1-8", "display": text}]},
        "subject": {"reference": f"Patient/{patient}", "display": PLANTED if patient == "ann" else "other"},
    }


def patient(id_, name):
    return {"resourceType": "Patient", "id": id_, "name": [{"family": name, "given": ["A"]}]}


EARLY = observation("early", "ann", "words")


async def put(store, *trees):
    async def work(txn):
        for tree in trees:
            await txn.put(tree["resourceType"], tree["id"], json.dumps(tree).encode(), extract(tree))

    await store.write("put", work)


async def erase(store):
    eraser = Eraser(keys_of, "")
    found = await eraser.look(store, "ann", lambda _done, _all: None)
    await eraser.erase(store, found, ERASURE, [], {})


async def clean(store):
    await store.archive("sweep", lambda archive: archive.sweep())
    return await store.scrub()


async def fill(store):
    """Two people's resources, written over and over in turn, so that rows move between pages."""
    chance = random.Random(7)  # noqa: S311 - no secret
    for round_ in range(4):
        trees = []
        for number in range(120):
            who = chance.choice(["ann", "ben"])
            words = (
                f"{PLANTED} {round_} {number}" * chance.randint(1, 20) if who == "ann" else f"w{number}" * 30
            )
            trees.append(observation(f"{who}-{number}", who, words))
        await put(store, patient("ann", f"{PLANTED}-{round_}"), patient("ben", "Other"), *trees)


def test_no_byte_is_left_in_the_files_of_sqlite(tmp_path):
    store, service = (SqliteStore(tmp_path / "store.sqlite", clock=clock) for _ in range(2))
    run(fill(store))
    run(service.search(Query("Patient")))
    assert any(PLANTED.encode() in path.read_bytes() for path in tmp_path.iterdir())
    run(erase(store))
    assert run(clean(store))
    held = {path.name: path.read_bytes().lower() for path in tmp_path.iterdir()}
    assert [name for name, data in held.items() if PLANTED.lower().encode() in data] == []
    assert run(service.search(Query("Patient"))).total == 1
    for one in (store, service):
        run(one.close())


def test_no_row_is_left_in_the_tables_of_postgresql(database_url):
    store = AnyLoop(database_url, clock)
    try:
        run(put(store, patient("ann", PLANTED), observation("hers", "ann", PLANTED), patient("ben", "B")))
        run(put(store, patient("ann", "A"), observation("his", "ben", "words")))
        run(erase(store))
        run(clean(store))
        tables = ask(database_url, "SELECT tablename FROM pg_tables WHERE schemaname = 'public'")
        every = " UNION ALL ".join(
            f"SELECT '{table}' FROM {table} AS one WHERE one::text ILIKE '%{PLANTED}%'"  # noqa: S608
            for (table,) in tables
        )
        assert ask(database_url, every) == []
    finally:
        run(store.close())


def test_who_remembered_a_word_that_was_taken_away_finds_it_again(opening):
    service, operator = opening(clock), opening(clock)
    try:
        run(put(service, patient("ann", "A"), observation("hers", "ann", "shared words")))
        run(erase(operator))
        run(clean(operator))
        run(put(service, patient("ben", "B"), observation("his", "ben", "shared words")))
        assert [one.id for one in run(operator.search(Query("Observation", (TEXT,)))).versions] == ["his"]
    finally:
        for store in (service, operator):
            run(store.close())


@pytest.mark.parametrize("late", ["Observation", "Patient"])
def test_a_write_that_meets_an_erasure_leaves_nothing_behind(database_url, late):
    tree = patient("ann", "A") if late == "Patient" else observation("late", "ann", "words")

    async def met():
        async with stores(database_url, 2, clock) as (service, operator):
            await put(service, patient("ann", "A"), observation("hers", "ann", "words"))
            looked, erased = asyncio.Event(), asyncio.Event()

            async def writing(txn):
                await txn.read("Practitioner", "nobody")  # what it sees from now on is from before
                looked.set()
                await erased.wait()
                await txn.put(tree["resourceType"], tree["id"], json.dumps(tree).encode(), extract(tree))

            written = asyncio.create_task(service.write("late", writing))
            await looked.wait()
            await erase(operator)
            erased.set()
            with pytest.raises(Conflict, match="Patient/ann was erased"):
                await written
            return [version.id async for version in operator.changes()]

    assert run(met()) == ["ann"]


def test_an_erasure_waits_for_writes_that_began_before(database_url):
    async def met():
        async with stores(database_url, 2, clock) as (service, operator):
            await put(service, patient("ann", "A"))
            wrote, go_on = asyncio.Event(), asyncio.Event()

            async def writing(txn):
                await txn.put("Observation", "early", json.dumps(EARLY).encode(), extract(EARLY))
                await txn.search(Query("Observation"))  # what waits is written
                wrote.set()
                await go_on.wait()

            written = asyncio.create_task(service.write("early", writing))
            await wrote.wait()
            erasing = asyncio.create_task(erase(operator))
            await asyncio.sleep(0.2)
            assert not erasing.done()
            go_on.set()
            await asyncio.gather(written, erasing)
            return [version.id async for version in operator.changes()]

    assert run(met()) == ["ann"]
