"""Delivery by HL7 v2: every report once in effect and in order, whatever happens on the way."""

import asyncio
import json
from collections import defaultdict
from datetime import datetime, timedelta

import hl7
import pytest
from adt import SYSTEMS, adt, mrg, pid
from demo_store import CONTEXT, NOW, Demo
from receivers import Receiver

from service.errors import ServiceError
from service.fhir.json import dump, reread
from service.fhir.search_keys import extract
from service.hl7v2.report import reports_of
from service.hl7v2.result_message import result_message
from service.jobs.adt_intake import AdtIntake
from service.jobs.delivery import Delivery
from service.jobs.delivery_messages import MessageSender
from service.jobs.delivery_ways import FolderWay, message_way
from service.jobs.destination import Destination, Limits, Messages
from service.jobs.destination_state import parked, redrive, states
from service.jobs.destinations import Destinations
from service.jobs.outgoing import Outgoing
from service.jobs.senders import sender_for

HERE = Outgoing("127.0.0.1")


class Clock:
    """A present that can be moved on: nobody waits for a second try."""

    def __init__(self) -> None:
        self.now = NOW + timedelta(days=1)

    def __call__(self) -> datetime:
        return self.now


class Clinic:
    """A store with people of the demo, and one destination of messages."""

    def __init__(self, store, address, seconds=5, **messages) -> None:
        self.store = store
        self.known = Destinations(self.store)
        self.clock = Clock()
        kind = "mllp" if address.startswith("mllp") else "folder"
        self.destination = Destination(
            "ward", kind, address, limits=Limits(seconds=seconds), messages=Messages(**messages)
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
        pytest.fail("something still waits")

    async def change(self, wanted, **members):
        """Write new versions of what is wanted."""
        found = [one async for one in self.store.changes() if not one.deleted]
        trees = [tree for one in found if wanted(tree := reread(one.content))]

        async def work(txn):
            for tree in trees:
                new = {**tree, **members}
                await txn.put(new["resourceType"], new["id"], dump(new), extract(new))

        await self.store.write("test", work)
        return len(trees)

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
        order[str(message.segment("PID")[3])].append(message)
        for obx in message.segments("OBX"):
            status, sub = str(obx[11]), str(obx[4])
            if status in {"D", "W"}:
                known[number].pop(sub, None)
            else:
                known[number][sub] = str(obx[3]), str(obx[5])
    return known, order


def expected(reports):
    made = [hl7.parse(one.content.decode()) for one in map(result_message, reports) if one is not None]
    return in_effect(made)[0]


def is_secretions(tree):
    return tree["resourceType"] == "Observation" and "secretion-level" in json.dumps(tree["code"])


def run(work):
    return asyncio.run(work)


@pytest.mark.parametrize("seed", [1, 2])
def test_every_report_is_there_once_in_effect_and_the_latest_last(tmp_path, seed):
    store = Demo.of(tmp_path, "demo-02-evaluation", "demo-02-visit-1", "demo-03-evaluation").store

    async def work():
        async with Receiver(seed, most=0.3) as receiver:
            address = f"mllp://127.0.0.1:{receiver.port}"
            clinic = Clinic(store, address, seconds=0.25)
            first = await clinic.deliver()
            assert first.parked == 0
            assert await clinic.change(is_secretions, status="amended", valueInteger=3) > 0
            wrong = {one.root["id"] for one in [*(await clinic.reports()).values()] if one.kind == "training"}
            gone = min(wrong)
            assert await clinic.change(lambda tree: tree["id"] == gone, status="entered-in-error")
            await clinic.deliver()
            reports = [one for one in (await clinic.reports()).values() if one.kind != "summary"]
            known, order = in_effect(receiver.received)
            assert {number: subs for number, subs in known.items() if subs} == expected(reports)
            assert len(receiver.received) > len(reports)  # some were sent more than once
            for messages in order.values():  # of a person, in the order of when it was
                days = [
                    str(one.segment("OBR")[7])[:8] for one in messages if str(one.segment("OBR")[25]) == "F"
                ]
                assert days == sorted(days)
            await clinic.store.close()

    run(work())


def test_a_correction_goes_alone_and_only_once(tmp_path):
    store = Demo.of(tmp_path, "demo-03-evaluation-1").store

    async def work():
        async with Receiver() as receiver:
            clinic = Clinic(store, f"mllp://127.0.0.1:{receiver.port}")
            await clinic.deliver()
            before = len(receiver.received)
            await clinic.change(is_secretions, status="amended", valueInteger=3)
            await clinic.deliver()
            await clinic.deliver()
            (again,) = receiver.received[before:]
            assert str(again.segment("OBR")[25]) == "C"
            statuses = {str(obx[4]): str(obx[11]) for obx in again.segments("OBX")}
            assert statuses.pop("2.1") == "C"
            assert {*statuses.values()} == {"F"}
            await clinic.store.close()

    run(work())


def test_a_message_that_is_refused_parks_its_patient_and_no_other(tmp_path):
    store = Demo.of(tmp_path, "demo-02-evaluation-1", "demo-03-evaluation-1").store

    async def work():
        async with Receiver(code="AE") as receiver:
            clinic = Clinic(
                store,
                f"mllp://127.0.0.1:{receiver.port}",
            )
            state = await clinic.deliver()
            assert state.parked == 2
            told = await parked(clinic.store, clinic.known, "ward")
            assert {one.problem for one in told} == {"The receiver answered AE (HL7 tables 0008 and 0357)."}
            receiver._code = "AA"
            await redrive(clinic.store, clinic.known, "ward")
            assert (await clinic.deliver()).parked == 0
            await clinic.store.close()

    run(work())


def test_what_a_merge_moves_is_told_to_nobody_as_wrong(tmp_path):
    store = Demo.of(tmp_path, "demo-02-evaluation-1", "demo-03-evaluation-1").store

    async def work():
        async with Receiver() as receiver:
            clinic = Clinic(
                store,
                f"mllp://127.0.0.1:{receiver.port}",
            )
            await clinic.deliver()
            before = len(receiver.received)
            intake = AdtIntake(clinic.store, SYSTEMS, CONTEXT, lambda: NOW)
            await intake.handle(adt("A40", pid("demo-02"), mrg("demo-03"), processing="T"), "127.0.0.1")
            await clinic.deliver()
            statuses = {str(obx[11]) for one in receiver.received[before:] for obx in one.segments("OBX")}
            assert not statuses & {"W", "D"}
            await clinic.store.close()

    run(work())


def test_what_waits_for_a_signature_is_not_told_and_enhanced_mode_asks_for_acceptance(tmp_path):
    store = Demo.of(tmp_path, "demo-03-evaluation-1").store

    async def work():
        async with Receiver(code="CA") as receiver:
            clinic = Clinic(store, f"mllp://127.0.0.1:{receiver.port}", enhanced=True)
            await clinic.change(is_secretions, status="preliminary")
            assert (await clinic.deliver()).parked == 0
            assert {
                (str(one.segment("MSH")[15]), str(one.segment("MSH")[16])) for one in receiver.received
            } == {("AL", "NE")}
            assert "secretion-level" not in "".join(map(str, receiver.received))
            await clinic.store.close()

    run(work())


def test_a_folder_gets_a_file_a_message_in_order(tmp_path):
    folder = tmp_path / "out"
    folder.mkdir()

    store = Demo.of(tmp_path, "demo-03-evaluation-1").store

    async def work():
        clinic = Clinic(store, str(folder), files=True, character_set="8859/1")
        await clinic.deliver()
        assert (
            await MessageSender(clinic.destination, clinic.store, FolderWay(folder)).test()
            == "can be written"
        )
        await clinic.store.close()

    run(work())
    files = sorted(folder.iterdir())
    messages = [hl7.parse(one.read_bytes(), encoding="latin-1") for one in files]
    assert {one.suffix for one in files} == {".hl7"}
    assert [str(one.segment("MSH")[10]) for one in messages] == [one.stem.partition("-")[2] for one in files]
    days = [str(one.segment("OBR")[7])[:8] for one in messages]
    assert days == sorted(days)
    assert len(days) == 2


@pytest.mark.parametrize("address", ["mllp:", "mllps://host:x", "ftp://host", "mllp://host:99999"])
def test_an_address_that_is_none(address):

    with pytest.raises(ServiceError):
        message_way(Destination("ward", "mllp", address), HERE)
