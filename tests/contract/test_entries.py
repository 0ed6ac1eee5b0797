"""What access rests on, as every store must keep it."""

import asyncio

from service.store.entries import Entry

LAB = Entry("client", "lab", 0, f'{{"role":"{"long" * 1000}"}}')


def test_an_entry_is_there_after_a_restart(open_store):
    with open_store() as store:
        assert asyncio.run(store.enter(LAB))
    with open_store() as store:
        assert asyncio.run(store.entries("client")) == [LAB]
        assert asyncio.run(store.entries("key")) == []


def test_an_entry_takes_the_place_of_one_of_its_name(store):
    other, changed = Entry("client", "clinic"), Entry("client", "lab", 7, "{}")
    for entry in (LAB, other, changed, Entry("key", "lab")):
        assert asyncio.run(store.enter(entry))
    assert asyncio.run(store.entries("client")) == [other, changed]


def test_of_all_who_enter_a_name_once_one_does(store):
    async def many():
        entries = (Entry("assertion", "1", 100, str(number)) for number in range(20))
        return await asyncio.gather(*(store.enter(entry, once=True) for entry in entries))

    assert sorted(asyncio.run(many())) == [False] * 19 + [True]
    assert not asyncio.run(store.enter(Entry("assertion", "1", 200), once=True))
    assert asyncio.run(store.enter(Entry("assertion", "2", 200), once=True))


def test_what_expired_is_forgotten(store):
    entries = [Entry("assertion", str(expires), expires) for expires in (0, 99, 100)]
    for entry in entries:
        asyncio.run(store.enter(entry))
    asyncio.run(store.forget(100))
    assert {entry.expires for entry in asyncio.run(store.entries("assertion"))} == {0, 100}


def test_entries_are_no_resources(store):
    async def changed():
        return [version async for version in store.changes()]

    asyncio.run(store.enter(LAB))
    assert asyncio.run(changed()) == []
