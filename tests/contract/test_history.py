"""What every store must do for histories and for referential integrity; see conftest.py for the engines."""

import asyncio
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from service.errors import InvalidInput
from service.fhir.datetimes import milliseconds
from service.fhir.search_values import ReferenceKey, SearchKeys
from service.store.contract import History

START = milliseconds(datetime(2026, 2, 4, 10, 0, tzinfo=UTC))
HOUR = 3_600_000


def run(work):
    return asyncio.run(work)


def written(store, clock, *steps):
    """Carry out one write an hour: ``Type/id``, with '-' before it for a deletion."""
    for step in steps:
        type_, id_ = step.removeprefix("-").split("/")

        async def work(txn, step=step, type_=type_, id_=id_):
            if step.startswith("-"):
                await txn.delete(type_, id_)
            else:
                await txn.put(type_, id_, b"{}", SearchKeys())

        run(store.write("put", work))
        clock.now += timedelta(hours=1)


def listed(store, **more):
    page = run(store.history(History(**more)))
    return [f"{version.type}/{version.id}/{version.version}" for version in page.versions]


def test_histories_of_a_resource_a_type_and_everything(store, clock):
    written(store, clock, "Patient/a", "Goal/a", "Patient/b", "Patient/a", "-Goal/a")
    everything = ["Goal/a/2", "Patient/a/2", "Patient/b/1", "Goal/a/1", "Patient/a/1"]
    assert listed(store) == everything
    assert listed(store, types=("Patient",)) == ["Patient/a/2", "Patient/b/1", "Patient/a/1"]
    assert listed(store, types=("Patient", "Goal")) == everything
    assert listed(store, types=("Goal",), id="a") == ["Goal/a/2", "Goal/a/1"]
    assert listed(store, types=("Flag",)) == []
    gone = run(store.history(History(("Goal",), "a"))).versions[0]
    assert (gone.deleted, gone.content) == (True, b"")


def test_the_total_is_that_of_one_resource(store, clock):
    written(store, clock, "Patient/a", "Patient/a", "Patient/b")
    assert run(store.history(History(("Patient",), "a", count=1))).total == 2
    assert run(store.history(History(("Patient",), "a", count=0))).total == 2
    assert run(store.history(History(("Patient",)))).total is None


def test_since_and_during(store, clock):
    written(store, clock, "Patient/a", "Patient/a", "Patient/b", "-Patient/a")
    assert listed(store, since=START) == ["Patient/a/3", "Patient/b/1", "Patient/a/2", "Patient/a/1"]
    assert listed(store, since=START + 1) == ["Patient/a/3", "Patient/b/1", "Patient/a/2"]
    assert listed(store, since=START + 4 * HOUR) == []
    assert listed(store, during=(0, START)) == []
    assert listed(store, during=(0, START + 1)) == ["Patient/a/1"]
    assert listed(store, during=(START + HOUR - 1, START + HOUR)) == ["Patient/a/1"]
    assert listed(store, during=(START + HOUR, START + HOUR + 1)) == ["Patient/a/2"]
    assert listed(store, during=(START + HOUR, START + 3 * HOUR)) == ["Patient/b/1", "Patient/a/2"]
    assert listed(store, during=(START + 9 * HOUR, START + 9 * HOUR + 1)) == ["Patient/a/3", "Patient/b/1"]
    assert listed(store, types=("Patient",), id="a", since=START + 2 * HOUR) == ["Patient/a/3"]


def test_pages_neither_repeat_nor_skip_while_others_write(store, clock):
    written(store, clock, *(f"Patient/{number % 3}" for number in range(7)))
    query = History(count=2)
    whole = listed(store)
    read, after = [], ""
    while after is not None:
        page = run(store.history(replace(query, after=after)))
        read += [f"{version.type}/{version.id}/{version.version}" for version in page.versions]
        written(store, clock, "Patient/new")
        after = page.next_after
    assert read == whole


def test_versions_of_the_same_moment_keep_the_order_they_were_written_in(store):
    async def work(txn):
        for id_ in "abc":
            await txn.put("Patient", id_, b"{}", SearchKeys())

    run(store.write("put", work))
    assert listed(store) == ["Patient/c/1", "Patient/b/1", "Patient/a/1"]
    first = run(store.history(History(count=1)))
    assert listed(store, count=1, after=first.next_after) == ["Patient/b/1"]


def test_a_page_of_long_texts_ends_early(store):
    async def work(txn):
        for number in range(6):
            await txn.put("Patient", str(number), b'{"x":"%s"}' % ("ä" * 100).encode(), SearchKeys())
        await txn.delete("Patient", "3")

    run(store.write("put", work))
    size = len(run(store.read("Patient", "0")).content)
    assert size > 200, "bytes, not characters"
    for most, lengths in ((size - 1, [1] * 7), (2 * size, [3, 2, 2]), (9 * size, [7])):
        query, after, read = History(most_bytes=most), "", []
        while after is not None:
            page = run(store.history(replace(query, after=after)))
            read.append(len(page.versions))
            after = page.next_after
        assert read == lengths, most
    assert len(run(store.history(History(count=2, most_bytes=9 * size))).versions) == 2


@pytest.mark.parametrize("after", ["x", "-1", "1.5", "9" * 30, "\u0661"])
def test_a_foreign_page_link_is_refused(store, after):
    with pytest.raises(InvalidInput):
        run(store.history(History(after=after)))


def test_referrers_are_the_current_resources_that_name_it(store):
    async def work(txn):
        await txn.put(
            "Patient", "p", b"{}", SearchKeys(references=(ReferenceKey("Patient.link", "Patient/p"),))
        )
        for id_ in ("1", "2", "3", "4"):
            keys = SearchKeys(references=(ReferenceKey("Goal.subject", "Patient/p"),))
            await txn.put("Goal", id_, b"{}", keys)
        await txn.delete("Goal", "2")
        await txn.put("Goal", "3", b"{}", SearchKeys())
        return await txn.referrers("Patient", "p", 9), await txn.referrers("Patient", "p", 1)

    every, one = run(store.write("put", work))
    assert every == ["Goal/1", "Goal/4"]
    assert one == ["Goal/1"]
