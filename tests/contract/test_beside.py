"""What travels with the program is found as if it were stored: two databases answer like one with it all."""

import asyncio
import itertools
from dataclasses import replace

import pytest

from service.fhir.json import dump, reread
from service.fhir.search_clauses import Reader, parse_clauses
from service.fhir.search_keys import extract
from service.fhir.search_parameters import parameters
from service.fhir.search_query import Sort
from service.settings import Settings
from service.store.archive import Kept
from service.store.beside import FIRST_SEQUENCE, Beside, Shipped
from service.store.contract import History, Query, Version

STORED, SHIPPED = 17, 13
NAMES = ("Alpha", "alpha", "beta", "Zeta", "\u00c9tude", "\U0001f600", "gamma")


def run(work):
    return asyncio.run(work)


def made(number, sequence):
    """A value set; every third has no name, dates and names repeat."""
    tree = {
        "resourceType": "ValueSet",
        "id": f"v{number * 7 % 31}",
        "url": f"urn:test:{number}",
        "status": ("active", "draft", "retired")[number % 3],
        "date": f"2026-01-{number % 9 + 1:02}",
        "description": "long " * (number % 5),
    }
    if number % 3:
        tree["name"] = NAMES[number % len(NAMES)]
    moment = f"2026-02-{number * 5 % 27 + 1:02}T10:00:00.000Z"
    version = Version(sequence, "ValueSet", tree["id"], 1, moment, "PUT", dump(tree), labelled=False)
    return version, extract(tree)


STORED_ROWS = [made(number, number + 1) for number in range(STORED)]
SHIPPED_ROWS = [made(number, FIRST_SEQUENCE + number) for number in range(STORED, STORED + SHIPPED)]


def filled(store, rows):
    async def work(archive):
        for version, keys in rows:
            await archive.keep(Kept(version, newest=True), keys)

    run(store.archive("fill", work))
    return store


def shipped(rows=SHIPPED_ROWS):
    by_name = {(version.type, version.id): (version, keys) for version, keys in rows}
    return Shipped(by_name.keys(), lambda type_, id_: by_name[type_, id_])


@pytest.fixture
def beside(store):
    return Beside(filled(store, STORED_ROWS), shipped())


@pytest.fixture
def whole(tmp_path, clock):
    """One database that holds everything; the order does not depend on the engine."""
    from service.store.sqlite import SqliteStore  # noqa: PLC0415 - only this one

    store = filled(SqliteStore(tmp_path / "whole.sqlite", clock=clock), STORED_ROWS + SHIPPED_ROWS)
    yield store
    run(store.close())


def pages(store, query, *, back=False):
    """All pages as ids, walked forwards or, from the end, backwards."""
    found, position = [], query
    while True:
        page = run(store.search(position))
        found.append([version.id for version in page.versions])
        place = page.previous_before if back else page.next_after
        if place is None:
            return found
        position = replace(query, before=place) if back else replace(query, after=place)


def sort(name, *, descending=False):
    parameter = parameters("ValueSet")[name]
    return Sort(parameter.indexes, parameter.kind, descending)


SORTS = [(), ("name",), ("-name", "date"), ("-_lastUpdated",), ("_id",), ("status", "-name")]


@pytest.mark.parametrize("sorts", SORTS)
def test_pages_are_those_of_one_database(beside, whole, sorts):
    keys = tuple(sort(name.removeprefix("-"), descending=name.startswith("-")) for name in sorts)
    for count, most in itertools.product((1, 4, 30, 50), (None, 100, 700)):
        query = Query("ValueSet", sort=keys, count=count, most_bytes=most)
        expected = pages(whole, query)
        assert pages(beside, query) == expected, (count, most)
        assert sum(len(page) for page in expected) == STORED + SHIPPED
        last = run(whole.search(query))
        while last.next_after:
            last = run(whole.search(replace(query, after=last.next_after)))
        if last.previous_before:
            start = replace(query, before=last.previous_before)
            assert pages(beside, start, back=True) == pages(whole, start, back=True)


@pytest.mark.parametrize(
    "asked",
    [
        [("name", "alpha")],
        [("name:exact", "alpha")],
        [("status:not", "draft")],
        [("date", "ge2026-01-04"), ("status", "active,retired")],
        [("_id", "v0,v7,v12,v30")],
        [("url", "urn:test:3,urn:test:20")],
        [("url:below", "urn:test")],
        [("name:missing", "true")],
        [("_lastUpdated", "lt2026-02-14")],
        [("description:contains", "long long")],
    ],
)
def test_matches_and_totals_are_those_of_one_database(beside, whole, asked):
    clauses = parse_clauses("ValueSet", asked, reader=Reader(Settings().zone, now=0)).clauses
    for also in ((), ("CodeSystem",), ("Patient",)):
        query = Query("ValueSet", clauses, count=3, also=also)
        assert pages(beside, query) == pages(whole, query) != [[]]
        assert run(beside.search(query)).total == run(whole.search(query)).total
        assert run(beside.search(replace(query, total="none"))).total is None
        assert run(beside.search(replace(query, count=0))).total == run(whole.search(query)).total


def test_they_are_read_and_have_one_version(beside):
    version = SHIPPED_ROWS[0][0]
    name = (version.type, version.id)
    assert run(beside.read(*name)) == version == run(beside.vread(*name, 1))
    assert run(beside.vread(*name, 2)) is None
    assert run(beside.history(History((version.type,), version.id))).versions == (version,)
    assert run(beside.history(History((version.type,), version.id, count=0))).total == 1
    late = run(beside.history(History((version.type,), version.id, since=4_000_000_000_000)))
    assert late.versions == ()
    assert run(beside.read("ValueSet", STORED_ROWS[0][0].id)) == STORED_ROWS[0][0]
    assert run(beside.read("ValueSet", "none")) is None


def test_histories_and_changes_tell_what_was_written(beside):
    listed = run(beside.history(History(("ValueSet",)))).versions
    assert len(listed) == STORED

    async def changed():
        return [version async for version in beside.changes()]

    assert len(run(changed())) == STORED


def test_a_transaction_sees_them_beside_what_it_writes(beside):
    version = SHIPPED_ROWS[0][0]

    async def work(txn):
        tree = reread(version.content) | {"id": "copy"}
        await txn.put("ValueSet", "copy", dump(tree), extract(tree))
        clause = parse_clauses("ValueSet", [("url", tree["url"])], reader=Reader(Settings().zone, now=0))
        page = await txn.search(Query("ValueSet", clause.clauses))
        return [one.id for one in page.versions], await txn.read("ValueSet", version.id)

    assert run(beside.write("copy", work)) == (["copy", version.id], version)
