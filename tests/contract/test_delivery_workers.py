"""Several workers on one database, some of which are killed: each patient by one at a time."""

import asyncio
import json
import random
from collections import Counter, defaultdict

import pytest

from service.errors import DeliveryFailed
from service.fhir.search_keys import extract
from service.jobs.delivery_router import route
from service.jobs.delivery_sender import Receipt
from service.jobs.delivery_worker import Worker
from service.jobs.destination import Destination, Limits
from service.store import destinations

pytestmark = pytest.mark.anyio

ONE = Destination(
    "record", "fhir", "https://record.example.org/fhir", limits=Limits(concurrency=3, entries=2)
)


@pytest.fixture
def anyio_backend():
    return "asyncio"


class Receiver:
    """What several senders of one destination have sent, and whether two were at one patient at once."""

    def __init__(self, seed) -> None:
        self.random = random.Random(seed)  # noqa: S311 - the same again
        self.busy: set[str] = set()
        self.versions: dict[str, list[int]] = defaultdict(list)
        self.clashes: list[str] = []

    async def send(self, parcel):
        if parcel.patient in self.busy:
            self.clashes.append(parcel.patient)
        self.busy.add(parcel.patient)
        try:
            for change in parcel.changes:
                await asyncio.sleep(self.random.random() / 500)
                if self.random.random() < 0.1:
                    raise DeliveryFailed("by chance", alone=True)
                self.versions[change.name].append(change.version.version)
                yield [Receipt(change, "{}")]
        finally:
            self.busy.discard(parcel.patient)

    async def close(self):
        """Nothing to close."""


async def written(store, names, numbers):
    async def work(txn):
        for person in names:
            await txn.put("Patient", person, *_text({"resourceType": "Patient", "id": person}))
            for number in numbers:
                await txn.put("Observation", f"{person}-{number}", *_text(_observation(person, number)))

    await store.write("test", work)


def _observation(person, number):
    return {
        "resourceType": "Observation",
        "id": f"{person}-{number}",
        "status": "final",
        "code": {"text": "x"},
        "subject": {"reference": f"Patient/{person}"},
    }


def _text(tree):
    return json.dumps(tree).encode(), extract(tree)


@pytest.mark.parametrize("seed", [1, 2])
async def test_each_patient_by_one_at_a_time_and_everything_in_order(store, clock, seed):
    receiver, people = Receiver(seed), [f"p{number}" for number in range(6)]
    await destinations.begin(store, "record")

    async def nobody(_patient):
        """What is handed out is recorded elsewhere."""

    workers = [Worker(store, ONE, receiver, clock, nobody) for _ in range(4)]
    await written(store, people, range(3))
    for lap in range(40):
        if lap == 2:
            await written(store, people[:3], range(1, 5))
        await asyncio.gather(*(route(store, ONE) for _ in workers))
        working = [asyncio.create_task(worker.work()) for worker in workers]
        if lap in (1, 3):  # killed in the middle of it, whatever it holds
            await asyncio.sleep(0.004)
            working[0].cancel()
        await asyncio.gather(*working, return_exceptions=True)
        clock.forward(minutes=20)
        if not await destinations.waiting(store):
            break
    assert await destinations.waiting(store) == {}
    assert receiver.clashes == []
    newest = Counter({name: numbers[-1] for name, numbers in receiver.versions.items()})
    stored = {f"{one.type}/{one.id}": one.version async for one in store.changes()}
    assert newest == stored
    # Sent again is what the killed one had not noted; an older version never comes after a newer one.
    assert all(numbers == sorted(numbers) for numbers in receiver.versions.values())
    assert sum(map(len, receiver.versions.values())) <= sum(stored.values()) + 2 * len(people)
