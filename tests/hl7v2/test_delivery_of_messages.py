"""Delivery by HL7 v2: every report once in effect and in order, whatever happens on the way."""

import asyncio
import json
from base64 import b64decode, b64encode

import hl7
import pytest
from adt import SYSTEMS, adt, mrg, pid
from demo_store import CONTEXT, NOW, PATIENTS, Demo
from message_receiver import Receiver
from told_through import HERE, Clinic, assert_in_effect, assert_in_order

from service.errors import ServiceError
from service.jobs.adt_intake import AdtIntake
from service.jobs.delivery_messages import MessageSender
from service.jobs.delivery_ways import message_way
from service.jobs.destination import Destination, Mapping
from service.jobs.destination_state import parked, redrive
from service.terminology.codes import codes


def is_secretions(tree):
    return tree["resourceType"] == "Observation" and "secretion-level" in json.dumps(tree["code"])


def run(work):
    return asyncio.run(work)


@pytest.mark.parametrize("seed", [1, 2])
def test_every_report_is_there_once_in_effect_and_the_latest_last(tmp_path, seed):
    store = Demo.of(tmp_path, "demo-02-evaluation", "demo-02-visit-1", "demo-03-evaluation").store

    async def work():
        async with Receiver(seed, most=0.7) as receiver:
            address = f"mllp://127.0.0.1:{receiver.port}"
            clinic = Clinic(store, address, seconds=0.6)
            first = await clinic.deliver()
            assert first.parked == 0
            assert_in_order(receiver)
            assert await clinic.change(is_secretions, status="amended", valueInteger=3) > 0
            wrong = {one.root["id"] for one in [*(await clinic.reports()).values()] if one.kind == "training"}
            gone = min(wrong)
            assert await clinic.change(lambda tree: tree["id"] == gone, status="entered-in-error")
            await clinic.deliver()
            reports = [one for one in (await clinic.reports()).values() if one.kind != "summary"]
            assert_in_effect(receiver, reports)
            assert len(receiver.received) > len(reports)  # some were sent more than once
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
        way = message_way(clinic.destination, HERE)
        told = await MessageSender(clinic.destination, clinic.store, way).test()
        assert told == "is a folder that can be written"
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


def summary_of(person, sheet):
    """A progress summary as it is filed."""
    about = {"reference": f"Patient/{person}"}
    attachment = {"contentType": "application/pdf", "url": "Binary/sheet"}
    return (
        {
            "resourceType": "Binary",
            "id": "sheet",
            "contentType": "application/pdf",
            "securityContext": about,
            "data": b64encode(sheet).decode(),
        },
        {
            "resourceType": "DocumentReference",
            "id": "document",
            "identifier": [{"system": "urn:summaries", "value": "one"}],
            "status": "current",
            "type": codes().concept("progress-summary"),
            "subject": about,
            "date": "2026-11-29T10:00:00+01:00",
            "content": [{"attachment": attachment}],
        },
    )


@pytest.mark.parametrize("asked", [True, False])
def test_a_progress_summary_goes_as_pdf_where_it_is_asked_for(tmp_path, asked):
    demo = Demo.of(tmp_path, "demo-03-evaluation-1")
    person, sheet, kinds = (
        demo.patient("demo-03"),
        b"%PDF-1.7 |^~\\& " + bytes(range(256)),
        ("study", "summary"),
    )

    async def work():
        async with Receiver() as receiver:
            address = f"mllp://127.0.0.1:{receiver.port}"
            clinic = Clinic(demo.store, address, kinds=kinds if asked else kinds[:1])
            await clinic.put(*summary_of(person, sheet))
            await clinic.deliver()
            await demo.store.close()
            return receiver.received

    found = [obx for one in run(work()) for obx in one.segments("OBX") if str(obx[2]) == "ED"]
    assert len(found) == asked
    for obx in found:
        said = str(obx[5]).split("^")
        assert said[1:4] == ["application", "pdf", "Base64"]
        assert b64decode(said[4]) == sheet


def test_what_is_labelled_says_so_and_long_words_are_cut_where_codes_are_not(tmp_path):
    demo = Demo.of(tmp_path, "demo-03-evaluation-1")
    label = {"system": "http://terminology.hl7.org/CodeSystem/v3-Confidentiality", "code": "R"}

    async def work():
        async with Receiver() as receiver:
            clinic = Clinic(demo.store, f"mllp://127.0.0.1:{receiver.port}")
            name = [{"family": "Verylong" * 60, "given": ["Name|with^marks"]}]
            await clinic.change(lambda tree: tree["resourceType"] == "Patient", name=name)
            await clinic.change(
                lambda tree: tree["resourceType"] == "DiagnosticReport", meta={"security": [label]}
            )
            await clinic.deliver()
            await demo.store.close()
            return receiver.received

    messages = run(work())
    for one in messages:
        text = str(one.segment("PID")[5])
        assert len(text) <= 250
        assert text.endswith("Name\\F\\with\\S\\marks^^^^^U")
        assert str(one.segment("PID")[3]).startswith("demo-03^")
    told = {str(one.segment("OBR")[4]).split("^")[0]: one.segment("ORC") for one in messages}
    assert str(told["78654-1"][28]).startswith("R^")


def test_identifiers_go_under_the_names_that_the_receiver_has_for_their_systems(tmp_path):
    store = Demo.of(tmp_path, "demo-03-evaluation-1").store
    mapping = Mapping(systems={PATIENTS: "urn:oid:2.999.1"}, local_codes="drop")

    async def work():
        async with Receiver() as receiver:
            clinic = Clinic(store, f"mllp://127.0.0.1:{receiver.port}", mapping=mapping)
            await clinic.deliver()
            await store.close()
            return receiver.received

    for one in run(work()):
        assert str(one.segment("PID")[3]) == "demo-03^^^&2.999.1&ISO^PI"
        assert any("99SWO" in str(obx[3]) for obx in one.segments("OBX"))
