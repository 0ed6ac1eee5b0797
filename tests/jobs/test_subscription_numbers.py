"""Numbers of events when a process is killed in the middle, and when two work at one subscription."""

import asyncio
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from service.fhir.search_values import SearchKeys
from service.store import subscriptions as rows
from service.store.sqlite import SqliteStore
from service.store.subscriptions import Happening

NOW = datetime(2026, 6, 1, tzinfo=UTC)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    store = SqliteStore(tmp_path / "store.sqlite", clock=lambda: NOW)
    yield store
    asyncio.run(store.close())


def event(number: int, sequence: int) -> Happening:
    return Happening(number, sequence, "Goal", "g", sequence, "p", 0)


async def subscribed(store: SqliteStore) -> None:
    async def work(txn):
        version = await txn.put("Subscription", "one", b'{"resourceType":"Subscription"}', SearchKeys())
        await txn.keep_subscriber(version, "{}", fresh=True)

    await store.write("test", work)


def test_who_was_killed_between_an_event_and_saying_so_is_gone_on_from_there(store: SqliteStore) -> None:
    async def work() -> None:
        await subscribed(store)
        await rows.add_events(store, "one", [event(1, 5), event(2, 9)])
        assert await rows.numbered(store, "one") == (2, 9)
        (kept,) = await rows.kept(store)
        assert kept.events == 0  # nobody could say so

    asyncio.run(work())


@pytest.mark.conformance("H5")
def test_a_number_is_given_once(store: SqliteStore) -> None:
    async def work() -> None:
        await subscribed(store)
        await rows.add_events(store, "one", [event(1, 5)])
        with pytest.raises(Exception, match=r"UNIQUE|can't"):
            await rows.add_events(store, "one", [event(1, 6), event(2, 7)])
        assert [one.number for one in await rows.events_between(store, "one", 1, 9)] == [1]  # all or none

    asyncio.run(work())


def test_one_works_at_a_subscription_until_its_time_is_over(store: SqliteStore) -> None:
    async def work() -> None:
        await subscribed(store)
        assert await rows.claimed(store, "one", "a", 1_000, 2_000)
        assert not await rows.claimed(store, "one", "b", 1_500, 2_500)
        assert await rows.claimed(store, "one", "a", 1_500, 3_000)  # and may go on
        assert await rows.claimed(store, "one", "b", 3_001, 4_000)

    asyncio.run(work())


def test_nothing_is_kept_of_who_is_erased_but_numbers_stay(store: SqliteStore) -> None:
    async def work() -> None:
        await subscribed(store)
        await rows.add_events(store, "one", [event(1, 5)])
        await rows.looked_at(store, "one", 5, 1)
        await store.do(("DELETE FROM subscription_event WHERE patient = ? RETURNING number", ["p"]))
        (kept,) = await rows.kept(store)
        assert (kept.events, await rows.numbered(store, "one")) == (1, (0, 0))

    asyncio.run(work())
