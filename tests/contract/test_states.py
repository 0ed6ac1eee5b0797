"""What was stored at an earlier moment, whatever is written meanwhile."""

import asyncio
import json
from datetime import timedelta

import pytest

from service.fhir.search_values import SearchKeys
from service.store.contract import Settled, States

NONE = SearchKeys("")
WRITERS, WORKS = 6, 15


def run(work):
    return asyncio.run(work)


def write(store, *steps):
    """Each step is a transaction: (type, id) to be put, or with a third, to be deleted."""

    async def one(txn, type_, id_, *gone):
        return await (txn.delete(type_, id_) if gone else txn.put(type_, id_, b"{}", NONE))

    for step in steps:
        run(store.write("test", lambda txn, step=step: one(txn, *step)))


def states(store, settled, after=0, **more):
    query = States(after, settled.sequence, settled.sequence, **more)
    return [(one.type, one.id, one.version) for one in run(store.states(query))]


def test_nothing_is_settled_before_anything_is_written(store):
    assert run(store.settled()) == Settled(0, "")


def test_what_is_written_later_is_not_there(store, clock):
    write(store, ("Goal", "a"), ("Goal", "b"), ("Goal", "a"), ("Flag", "c"))
    first = run(store.settled())
    clock.now += timedelta(seconds=1)
    write(store, ("Goal", "b"), ("Goal", "c"), ("Flag", "c", "gone"), ("Goal", "b"))
    second = run(store.settled())
    assert states(store, first) == [("Goal", "b", 1), ("Goal", "a", 2), ("Flag", "c", 1)]
    assert states(store, first, types=("Flag",)) == [("Flag", "c", 1)]
    later = [("Goal", "c", 1), ("Flag", "c", 2), ("Goal", "b", 3)]
    assert states(store, second, first.sequence) == later
    assert states(store, second) == [("Goal", "a", 2), *later]
    assert states(store, second, since=first.last_updated) == later
    assert first.last_updated < second.last_updated


def test_a_replaced_version_does_not_tell_whose_it_is(store):
    def about(patient):
        async def work(txn):
            return await txn.put("Goal", "a", b"{}", SearchKeys(patient))

        return work

    run(store.write("test", about("ann")))
    first = run(store.settled())
    query = States(0, first.sequence, first.sequence)
    assert [one.patient for one in run(store.states(query))] == ["ann"]
    run(store.write("test", about("ben")))
    assert [one.patient for one in run(store.states(query))] == [""]


@pytest.mark.conformance("J7")
def test_while_many_write_no_moment_shows_half_a_transaction_and_none_is_lost_or_given_twice(store, tell):
    seen = run(_observed(store))
    whole = {}
    for settled, stretch, again in seen:
        assert stretch == again
        assert not stretch.keys() & {name for name in whole if whole[name] == stretch.get(name)}
        whole |= stretch
        rounds = {}
        for name, number in whole.items():
            rounds.setdefault(name.split("-")[0], set()).add(number)
        assert all(len(numbers) == 1 for numbers in rounds.values()), (settled, whole)
    assert set(whole.values()) == {WORKS - 1}
    assert len(whole) == 3 * WRITERS
    tell(
        f"{len(seen)} moments between {WRITERS * WORKS} transactions at once: each whole, none lost or twice"
    )


async def _observed(store):
    """Stretches between moments, read at once and once more at the end."""
    writing = asyncio.gather(*(_writer(store, number) for number in range(WRITERS)))
    moments, last = [], 0
    while True:
        done = writing.done()
        settled = await store.settled()
        moments.append((settled, last, await _contents(store, settled, last)))
        last = settled.sequence
        if done:
            break
        await asyncio.sleep(0)
    await writing
    return [(settled, stretch, await _contents(store, settled, after)) for settled, after, stretch in moments]


async def _contents(store, settled, after):
    found = await store.states(States(after, settled.sequence, settled.sequence))
    return {one.id: json.loads(one.content)["n"] for one in found}


async def _writer(store, writer):
    """Three resources of one round in each transaction, some of them put after others are looked for."""

    async def work(txn, number):
        for place in range(3):
            await txn.put("Goal", f"w{writer}-{place}", b'{"n": %d}' % number, NONE)
            await txn.find("Goal", "urn:x", "none")

    for number in range(WORKS):
        await store.write("round", lambda txn, number=number: work(txn, number))
