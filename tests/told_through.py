"""A store whose results are told as HL7 v2 messages by a way that loses, doubles and delays them."""

import asyncio
import time
from collections import defaultdict
from datetime import UTC, datetime, timedelta

import hl7
from demo_store import NOW
from message_receiver import Receiver
from processes import run

from service.fhir.json import dump, reread
from service.fhir.search_keys import extract
from service.hl7v2.report import reports_of
from service.hl7v2.result_message import result_message
from service.jobs.delivery import Delivery
from service.jobs.destination import Destination, Limits, Mapping, Messages
from service.jobs.destination_state import states
from service.jobs.destinations import Destinations
from service.jobs.outgoing import Outgoing
from service.jobs.senders import sender_for
from service.store.sqlite import SqliteStore

HERE = Outgoing("127.0.0.1")


class Clock:
    """A present that can be moved on: nobody waits for a second try."""

    def __init__(self) -> None:
        self.now = NOW + timedelta(days=1)

    def __call__(self) -> datetime:
        return self.now


class Clinic:
    """A store with people of the demo, and one destination of messages."""

    def __init__(self, store, address, seconds=5, mapping=None, **messages) -> None:
        self.store = store
        self.known = Destinations(self.store)
        self.clock = Clock()
        kind = "mllp" if address.startswith("mllp") else "folder"
        self.destination = Destination(
            "ward",
            kind,
            address,
            limits=Limits(seconds=seconds),
            messages=Messages(**messages),
            mapping=mapping or Mapping(),
        )
        self.delivery = Delivery(
            self.store, self.known, lambda one: sender_for(one, self.store, HERE), self.clock, "test"
        )

    async def deliver(self, rounds=400):
        """Deliver until nothing waits."""
        await self.known.add(self.destination)
        worker = self.delivery._worker(self.destination)
        try:
            for _ in range(rounds):
                await self.delivery._round(worker)
                (state,) = await states(self.store, self.known, self.clock())
                if state.waiting == state.parked:
                    return state
                self.clock.now += timedelta(hours=1)
        finally:
            await worker.sender.close()
        raise AssertionError("something still waits")

    async def change(self, wanted, **members):
        """Write new versions of what is wanted."""
        found = [one async for one in self.store.changes() if not one.deleted]
        trees = [tree for one in found if wanted(tree := reread(one.content))]

        await self.put(*({**tree, **members} for tree in trees))
        return len(trees)

    async def put(self, *trees):
        """Write resources."""

        async def work(txn):
            for tree in trees:
                await txn.put(tree["resourceType"], tree["id"], dump(tree), extract(tree))

        await self.store.write("test", work)

    async def reports(self):
        """Everything as it is now, by what it is about."""
        trees = [reread(one.content) async for one in self.store.changes() if not one.deleted]
        shared = [one for one in trees if one["resourceType"] == "Practitioner"]
        people = [one for one in trees if one["resourceType"] == "Patient"]
        found = {}
        for person in people:
            name = f"Patient/{person['id']}"
            own = [one for one in trees if (one.get("subject") or {}).get("reference") == name]
            found |= reports_of([person, *shared, *own])
        return found


def in_effect(messages):
    """What a receiver knows in the end that knows a message again by its control id: by order and sub-id."""
    seen, known, order = set(), defaultdict(dict), defaultdict(list)
    for message in messages:
        id_ = str(message.segment("MSH")[10])
        if id_ in seen:
            continue
        seen.add(id_)
        number = str(message.segment("OBR")[3])
        order[str(message.segment("PID")[3])].append(str(message.segment("OBR")[7])[:8])
        for obx in message.segments("OBX"):
            status, sub = str(obx[11]), str(obx[4])
            if status in {"D", "W"}:
                known[number].pop(sub, None)
            else:
                known[number][sub] = str(obx[3]), str(obx[5])
    return known, order


def expected(reports):
    made = (one.content.decode() for one in map(result_message, reports) if one is not None)
    return in_effect(map(hl7.parse, made))[0]


def assert_in_effect(receiver, reports):
    """What the receiver knows in the end is what is here."""
    known, _ = in_effect(receiver.each())
    assert {number: subs for number, subs in known.items() if subs} == expected(reports)


def assert_in_order(receiver):
    """What came of each person came in the order of when it was; before anything was corrected."""
    for days in in_effect(receiver.each())[1].values():
        assert days == sorted(days)


def told_in_full(folder, people):
    """Tell of invented people's visits, then of corrections; answers counts of what was compared."""
    folder.mkdir(exist_ok=True)
    registry = folder / "registry.ndjson"
    run("synthesize", registry, "--patients", str(people), "--seed", "7")
    run("load", registry, "--data-dir", folder / "here", seconds=3_600)
    return asyncio.run(
        _told(SqliteStore(folder / "here" / "swallow.sqlite", clock=lambda: datetime.now(UTC)))
    )


async def _told(store):
    begun = time.monotonic()
    async with Receiver(7, most=0.3) as receiver:
        clinic = Clinic(store, f"mllp://127.0.0.1:{receiver.port}", seconds=0.25)
        assert (await clinic.deliver(rounds=20_000)).parked == 0
        assert_in_order(receiver)
        places = iter(range(1_000_000))
        await clinic.change(
            lambda one: one["resourceType"] == "Observation" and next(places) % 97 == 0,
            status="corrected",
            valueInteger=3,
        )
        assert (await clinic.deliver(rounds=20_000)).parked == 0
        reports = [one for one in (await clinic.reports()).values() if one.kind != "summary"]
        assert_in_effect(receiver, reports)
    visits = len([one async for one in store.changes() if one.type == "Encounter"])
    await store.close()
    seconds = round(time.monotonic() - begun, 1)
    return {
        "visits": visits,
        "messages": len(reports),
        "came": len(receiver.kept),
        "faults": receiver.faults,
        "seconds": seconds,
    }
