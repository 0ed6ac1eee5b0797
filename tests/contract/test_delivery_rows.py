"""What is kept of deliveries, on every engine: who holds a patient, and what a destination has."""

import asyncio

import pytest

from service.store import destinations, feeds
from service.store.erasing import Name

pytestmark = pytest.mark.anyio

RECORD = "record"


@pytest.fixture
def anyio_backend():
    return "asyncio"


async def claimed(store, holder, *, now=10, until=20, most=10):
    return [one.patient for one in await feeds.claim(store, RECORD, holder, now=now, until=until, most=most)]


async def noted(store, **patients):
    await feeds.note(store, RECORD, {name: feeds.Noted(number, 1) for name, number in patients.items()})


async def test_of_all_who_ask_at_once_one_holds_a_patient(store):
    await noted(store, **{f"p{number}": number + 1 for number in range(10)})
    found = await asyncio.gather(*(claimed(store, f"worker-{number}", most=3) for number in range(8)))
    held = [patient for one in found for patient in one]
    assert len(held) == len(set(held))
    while more := await claimed(store, "late"):
        held += more
    assert sorted(held) == sorted(f"p{number}" for number in range(10))


async def test_whom_a_killed_worker_held_another_takes_later(store):
    await noted(store, a=1)
    (held,) = await feeds.claim(store, RECORD, "killed", now=10, until=20, most=1)
    assert await claimed(store, "other", now=19) == []
    assert await claimed(store, "other", now=21, until=30) == ["a"]
    assert not await feeds.hold_on(store, RECORD, "a", "killed", 99)
    await feeds.keep(store, RECORD, "a", "killed", [feeds.Delivered("Patient", "a", 1, "")])
    assert await feeds.delivered(store, RECORD, [Name("Patient", "a")]) == {}
    await feeds.acknowledge(store, RECORD, held, "killed", 22)
    assert (await destinations.waiting(store))[RECORD].patients == 1


@pytest.mark.parametrize(("parked", "tries"), [(True, 1), (False, 1)])
async def test_what_is_nobodys_comes_first_unless_it_was_refused(store, parked, tries):
    await noted(store, a=1)
    await feeds.note(store, RECORD, {"": feeds.Noted(2, 1)})
    (held,) = await feeds.claim(store, RECORD, "worker", now=10, until=20, most=10)
    assert held.patient == ""
    assert await claimed(store, "other") == []
    await feeds.put_off(store, RECORD, held, "worker", due=99, tries=tries, parked=parked, problem="{}")
    assert await claimed(store, "other") == ["a"]


async def test_what_is_noted_while_it_is_sent_stays_to_be_sent(store):
    await noted(store, a=5)
    (held,) = await feeds.claim(store, RECORD, "worker", now=10, until=20, most=1)
    await noted(store, a=9)
    await noted(store, a=7)  # by a process that was slower
    await feeds.keep(store, RECORD, "a", "worker", [feeds.Delivered("Patient", "a", 3, '{"id":"x"}')])
    await feeds.acknowledge(store, RECORD, held, "worker", 11)
    assert (await destinations.waiting(store))[RECORD].since == 11
    (again,) = await feeds.claim(store, RECORD, "worker", now=12, until=20, most=1)
    assert (again.noted, again.tries) == (9, 0)
    found = await feeds.delivered(store, RECORD, [Name("Patient", "a"), Name("Patient", "b")])
    assert [(str(name), one.version, one.there) for name, one in found.items()] == [
        ("Patient/a", 3, '{"id":"x"}')
    ]


async def test_a_destination_that_came_with_a_backup_is_paused(store):
    assert (await destinations.standings(store)).get(RECORD, destinations.Standing()).paused
    await destinations.begin(store, RECORD)
    assert not (await destinations.standings(store))[RECORD].paused
    await destinations.pause(store, RECORD, paused=True)
    await destinations.begin(store, RECORD)
    assert (await destinations.standings(store))[RECORD].paused


async def test_failures_of_a_destination_are_counted_until_something_arrives(store):
    await destinations.begin(store, RECORD)
    await destinations.met(store, RECORD, "{}", whole=True, rests=50)
    await destinations.met(store, RECORD, "{}", whole=True, rests=40)
    await destinations.met(store, RECORD, "{}", whole=False)
    stands = (await destinations.standings(store))[RECORD]
    assert (stands.failures, stands.rests, stands.failed) == (2, 50, 3)
    await destinations.arrived(store, RECORD, 7, 0)
    stands = (await destinations.standings(store))[RECORD]
    assert (stands.failures, stands.rests, stands.sent, stands.failed) == (0, 0, 7, 3)


async def test_what_arrives_is_counted_by_the_hour(store):
    await destinations.begin(store, RECORD)
    hour, found = 3_600_000, []
    for moment, resources in ((5 * hour, 2), (6 * hour - 1, 3), (6 * hour, 4), (9 * hour, 1)):
        await destinations.arrived(store, RECORD, resources, moment)
        found.append((await destinations.standings(store))[RECORD].hourly(moment))
    assert found == [(2, 0), (5, 0), (4, 5), (1, 0)]
    stands = (await destinations.standings(store))[RECORD]
    assert [stands.hourly(later * hour) for later in (10, 11)] == [(0, 1), (0, 0)]
    assert stands.sent == 10


async def test_a_destination_that_is_removed_leaves_nothing(store):
    await destinations.begin(store, RECORD)
    await noted(store, a=5)
    await feeds.advance(store, "delivery/record", 5)
    await destinations.end(store, RECORD, "delivery/record")
    assert await destinations.standings(store) == {}
    assert await destinations.waiting(store) == {}
    assert await feeds.read_up_to(store, "delivery/record") == 0
