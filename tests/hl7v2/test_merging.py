"""People as the hospital has them: admitted, changed, merged, and merges taken back; on both engines."""

import asyncio
from collections import Counter
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest
from adt import SYSTEMS, adt, mrg, pid
from demo_store import CONTEXT, PATIENTS, records_in_order, taken_in

from service.fhir.json import reread
from service.hl7v2.admission import admissions
from service.hl7v2.parsing import read
from service.hl7v2.problem import Refused
from service.operations.admission import admit
from service.operations.goal_attainment import compute
from service.operations.patient_merge import Source, merged_into
from service.operations.upload import Upload, UploadPart
from service.operations.visit_intake import accept
from service.settings import Settings

NOW = datetime(2026, 12, 1, 9, 0, tzinfo=UTC)
ZONE = ZoneInfo("UTC")


@pytest.fixture
def store(opening):
    opened = opening(lambda: NOW)
    yield opened
    asyncio.run(opened.close())


async def said(store, *messages):
    for content in messages:
        message = read(content)
        source = Source("ADT of HOSP", message.header.text(10))
        await admit(store, admissions(message, SYSTEMS, ZONE), context=CONTEXT, source=source)


async def people(store):
    return {one["id"]: one async for one in _resources(store) if one["resourceType"] == "Patient"}


async def _resources(store):
    async for version in store.changes():
        if not version.deleted:
            yield reread(version.content)


async def written(store):
    """The versions there are."""
    return [(one.type, one.id, one.version) async for one in store.changes()]


async def bearing(store, value):
    async def work(txn):
        return [reread(one.content) for one in await txn.find("Patient", PATIENTS, value)]

    return await store.write("find", work)


async def about(store, patient):
    """How many resources of each type say they are about a person."""
    name = f"Patient/{patient}"
    own = [one async for one in _resources(store) if one["resourceType"] != "Provenance"]
    return Counter(
        one["resourceType"]
        for one in own
        if name in [(one.get(part) or {}).get("reference") for part in ("subject", "patient")]
    )


async def visits(store, *names):
    """Take in visits of the demo."""
    for path in records_in_order(*names):
        await taken_in(store, path)


def test_somebody_is_taken_in_and_brought_up_to_date(store):
    async def work():
        await said(store, adt("A04", pid("7", "8^^^OTHER")))
        (first,) = await bearing(store, "7")
        assert [one["system"] for one in first["identifier"]] == [*SYSTEMS.values()]
        assert first["name"] == [{"family": "Testsson", "given": ["Tilda"]}]
        assert (first["birthDate"], first["gender"]) == ("1960-02-03", "female")
        await said(store, adt("A08", pid("7", name="Nyman^Tilda^M^^^^L", rest='|""|||||||||')))
        (second,) = await bearing(store, "7")
        assert second["id"] == first["id"]
        assert second["name"] == [{"use": "official", "family": "Nyman", "given": ["Tilda", "M"]}]
        assert "birthDate" not in second
        assert second["gender"] == "female"

    asyncio.run(work())


def test_the_same_message_again_writes_nothing(store):
    async def work():
        await said(store, adt("A04", pid("7")))
        before = await written(store)
        await said(store, adt("A04", pid("7")))
        assert await written(store) == before

    asyncio.run(work())


def test_what_is_about_the_one_follows_the_other_and_goes_back(store):
    async def work():
        await visits(store, "demo-01-visit-1", "demo-01-visit-2", "demo-02-evaluation-1")
        (other,), (survivor,) = await bearing(store, "demo-01"), await bearing(store, "demo-02")
        was = {one: await about(store, one) for one in (other["id"], survivor["id"])}
        day = NOW.date()
        goals = (await compute(store, other["id"], day, zone=ZONE)).goals
        await said(
            store, adt("A40", pid("demo-02", name="Fictionsen^Bram", rest="|19710120|M"), mrg("demo-01"))
        )
        assert await about(store, other["id"]) == {}
        assert await about(store, survivor["id"]) == was[other["id"]] + was[survivor["id"]]
        (led,) = await bearing(store, "demo-01")
        assert led["id"] == survivor["id"]
        gone = (await people(store))[other["id"]]
        assert (gone["active"], merged_into(gone)) == (False, survivor["id"])
        assert len((await compute(store, survivor["id"], day, zone=ZONE)).goals) == len(goals)
        # what still comes under the identifier that was merged leads to the survivor
        await visits(store, "demo-01-evaluation-1")
        assert await about(store, other["id"]) == {}
        assert sum((await about(store, survivor["id"])).values()) > sum(
            (*was[other["id"]].values(), *was[survivor["id"]].values())
        )
        # and the same record again changes nothing
        before = await written(store)
        await visits(store, "demo-01-visit-1")
        assert await written(store) == before
        # it is taken back
        await said(store, adt("A37", pid("demo-02"), pid("demo-01")))
        restored = (await bearing(store, "demo-01"))[0]
        assert {**restored, "meta": None} == {**other, "meta": None}
        assert restored["meta"]["profile"] == other["meta"]["profile"]
        assert await about(store, other["id"]) == was[other["id"]]
        ((alone),) = await bearing(store, "demo-02")
        assert "link" not in alone
        assert [one["value"] for one in alone["identifier"]] == ["demo-02"]
        assert len((await compute(store, other["id"], day, zone=ZONE)).goals) == len(goals)

    asyncio.run(work())


def test_each_change_has_a_provenance_by_whom(store):
    async def work():
        await said(store, adt("A04", pid("1"), control_id="m1"), adt("A04", pid("2"), control_id="m2"))
        await said(
            store,
            adt("A40", pid("1"), mrg("2"), control_id="m3"),
            adt("A37", pid("1"), pid("2"), control_id="m4"),
        )
        told = [one async for one in _resources(store) if one["resourceType"] == "Provenance"]
        sources = [part["what"].get("identifier", {}).get("value") for one in told for part in one["entity"]]
        assert [one for one in sources if one] == ["m1", "m2", "m3", "m4"]
        assert {agent["who"]["display"] for one in told for agent in one["agent"]} == {"ADT of HOSP"}

    asyncio.run(work())


def test_a_merge_with_nobody_here_leads_later_visits_to_the_survivor(store):
    async def work():
        await said(store, adt("A04", pid("9")), adt("A40", pid("9"), mrg("demo-01")))
        (survivor,) = await bearing(store, "9")
        await visits(store, "demo-01-visit-1")
        assert sum((await about(store, survivor["id"])).values()) > 10
        assert len(await people(store)) == 1

    asyncio.run(work())


def test_a_merge_again_and_a_merge_of_what_was_merged(store):
    async def work():
        for one in ("1", "2", "3"):
            await said(store, adt("A04", pid(one)))
        await said(store, adt("A40", pid("1"), mrg("2")))
        before = await written(store)
        await said(store, adt("A40", pid("1"), mrg("2")))
        assert await written(store) == before
        # the survivor is merged in turn, and both lead on
        await said(store, adt("A40", pid("3"), mrg("1")))
        with pytest.raises(Refused):  # of two merges the newer one is taken back first
            await said(store, adt("A37", pid("1"), pid("2")))
        (last,) = await bearing(store, "2")
        assert (last["id"],) == tuple(one["id"] for one in await bearing(store, "3"))
        await said(store, adt("A37", pid("3"), pid("1")), adt("A37", pid("2"), pid("1")))
        assert [len(await bearing(store, one)) for one in ("1", "2", "3")] == [1, 1, 1]
        assert len({(await bearing(store, one))[0]["id"] for one in ("1", "2", "3")}) == 3

    asyncio.run(work())


def test_two_visits_of_one_time_stand_in_the_way_and_nothing_is_done(store):
    async def work():
        await visits(store, "demo-01-visit-1")
        (path,) = records_in_order("demo-01-visit-1")
        text = path.read_text("utf-8").replace("value: demo-01-visit-1", "value: other-visit")
        copy = text.replace("demo-01", "demo-77")
        part = UploadPart("record", copy.encode(), file_name="copy.yaml")
        await accept(store, Upload((part,)), settings=Settings(), context=CONTEXT)
        before = await written(store)
        with pytest.raises(Refused) as refused:
            await said(store, adt("A40", pid("demo-01"), mrg("demo-77")))
        assert [one.kind for one in refused.value.problems] == ["same-visit"]
        assert await written(store) == before

    asyncio.run(work())


@pytest.mark.parametrize(
    ("message", "kind"),
    [
        (adt("A08", pid("1", "2")), "several"),
        (adt("A37", pid("1"), pid("2")), "not-merged"),
        (adt("A08", pid("1", name="Te\\X00\\st^T")), "not-valid"),
    ],
)
def test_what_stands_in_the_way_is_told(store, message, kind):
    async def work():
        await said(store, adt("A04", pid("1")), adt("A04", pid("2")))
        with pytest.raises(Refused) as refused:
            await said(store, message)
        assert [one.kind for one in refused.value.problems] == [kind]

    asyncio.run(work())
