"""Rows for lists: the numbers of the answer asked for alone, and made anew whatever happens meanwhile."""

import asyncio
import json
from collections import Counter
from contextlib import asynccontextmanager, suppress
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest
from databases import stores

from service.errors import StoreUnavailable
from service.fhir.search_keys import extract
from service.interactions.context import Context, allow_everything
from service.jobs import summaries as job
from service.jobs.summaries import Summaries
from service.operations.goal_attainment import compute
from service.operations.upload import Upload, UploadPart
from service.operations.visit_intake import accept
from service.page.panel_row import RowMaker
from service.records.reading import read_record
from service.records.shape import headline
from service.settings import Settings
from service.shipped import shipped
from service.store.summaries import Summary, SummaryQuery

ZONE = ZoneInfo("UTC")
NOW = datetime(2026, 10, 1, 9, 0, tzinfo=UTC)
TODAY = NOW.date()
CONTEXT = Context("https://demo.example.org/fhir", allow_everything, clock=lambda: NOW)
CLOSED = {"completed", "cancelled", "rejected", "entered-in-error"}


def rows(store):
    return Summaries(store, RowMaker(ZONE), ZONE, lambda: NOW)


async def load(store, *people):
    """Take in the demo's records, oldest visit first."""
    paths = [path for path in shipped("examples", "visits").glob("*.yaml") if path.name.startswith(people)]
    for path in sorted(
        paths, key=lambda path: headline(read_record(path.read_bytes(), "yaml"), zone=ZONE).start
    ):
        upload = Upload((UploadPart("record", path.read_bytes(), file_name=path.name),))
        await accept(store, upload, settings=Settings(), context=CONTEXT)


async def renew_all(summaries):
    while behind := await summaries.store.behind(TODAY.isoformat(), summaries.maker.basis, 10):
        await summaries.renew(behind)


async def shown(summaries):
    """Patient to what the list shows."""
    page = await summaries.store.summaries(SummaryQuery(TODAY.isoformat(), summaries.maker.basis))
    assert (page.behind, any(one.behind for one in page.listed)) == (0, False)
    return {one.patient: json.loads(one.content) for one in page.listed}


async def put(store, tree):
    content = json.dumps(tree).encode()
    keys = extract(tree, zone=ZONE)
    await store.write("test", lambda txn: txn.put(tree["resourceType"], tree["id"], content, keys))


@asynccontextmanager
async def renewing(*summaries):
    tasks = [asyncio.create_task(one.run()) for one in summaries]
    try:
        yield
    finally:
        for task in tasks:
            task.cancel()
            with suppress(asyncio.CancelledError):
                await task


async def looks():
    """Moments at which to look again."""
    while True:
        yield
        await asyncio.sleep(0.01)


async def until_nothing_is_behind(summaries):
    async for _ in looks():
        if not await summaries.store.behind(TODAY.isoformat(), summaries.maker.basis, 1):
            return


@pytest.fixture
def at_once(monkeypatch):
    """The background task does not rest."""
    monkeypatch.setattr(job, "_IDLE_S", 0.01)
    monkeypatch.setattr(job, "_REST", 0)


@pytest.fixture
def store(opening):
    opened = opening(lambda: NOW)
    yield opened
    asyncio.run(opened.close())


def test_every_row_is_the_answer_asked_for_alone(store, tell):
    summaries = rows(store)

    async def work():
        await load(store, "demo-")
        await renew_all(summaries)
        found = await shown(summaries)
        return found, {one: await compute(store, one, TODAY, zone=ZONE) for one in found}

    found, answers = asyncio.run(work())
    assert len(found) == 5
    for patient, row in found.items():
        answer = answers[patient]
        goals = [goal for goal in answer.goals if goal.stated.lifecycle not in CLOSED]
        assert dict(row["statuses"]) == Counter(goal.status.code or "" for goal in goals)
        assert [cue["reason"] for cue in row.get("cues", ())] == [cue.sentence for cue in answer.cues]
        review = answer.review if answer.review and not answer.review.held else None
        assert row.get("next_review") == (review.day.isoformat() if review else None)
        assert row.get("review_overdue", False) == bool(review and review.overdue)
    told = sum(len(row.get("cues", ())) for row in found.values())
    tell(f"{len(found)} rows of the list equal to their answers, {told} attention cues among them")


def test_changing_anything_an_answer_rests_on_puts_the_row_behind(store, tell):
    summaries = rows(store)

    async def work():
        await load(store, "demo-01", "demo-02")
        await renew_all(summaries)
        one_each = {}
        async for version in store.changes():
            tree = json.loads(version.content)
            about = tree.get("subject", tree.get("patient", {})).get("reference", f"Patient/{tree['id']}")
            if version.type in {"Provenance", "Practitioner", "Organization"}:
                continue
            one_each[version.type] = (tree, about.removeprefix("Patient/"))
        for tree, patient in one_each.values():
            await put(store, tree | {"language": "en"})
            behind = await store.behind(TODAY.isoformat(), summaries.maker.basis, 9)
            assert behind == [patient], tree["resourceType"]
            await renew_all(summaries)
        return one_each

    changed = asyncio.run(work())
    assert {"Patient", "Goal", "Observation", "Encounter", "CarePlan", "CareTeam"} <= changed.keys()
    tell(f"{len(changed)} types of resources put a row of the list behind")


@pytest.mark.usefixtures("at_once")
def test_several_processes_renew_while_others_write(database_url):
    async def work():
        async with stores(database_url, 3, lambda: NOW) as (writer, *others):
            await load(writer, "demo-01", "demo-02")
            goals = [json.loads(one.content) async for one in writer.changes() if one.type == "Goal"]
            async with renewing(*map(rows, others)):
                for number in range(20):
                    status = "completed" if number % 2 else "active"
                    await asyncio.gather(
                        *(put(writer, goal | {"lifecycleStatus": status, "language": "en"}) for goal in goals)
                    )
                await until_nothing_is_behind(rows(writer))
            summaries = rows(writer)
            found = await shown(summaries)
            alone = {one: json.loads((await summaries.maker(writer, one, TODAY)).content) for one in found}
            return found, alone

    found, alone = asyncio.run(work())
    assert found == alone
    assert len(found) == 2


@pytest.mark.usefixtures("at_once")
def test_the_background_task_goes_on_after_a_fault(store, caplog):
    summaries = rows(store)
    asked = []

    class Faulty(RowMaker):
        async def __call__(self, store, patient, day) -> Summary:
            asked.append(patient)
            if len(asked) < 3:
                raise StoreUnavailable("The disk is full.")
            return await RowMaker.__call__(self, store, patient, day)

    summaries.maker = Faulty(ZONE)

    async def work():
        async with renewing(summaries):
            await put(store, {"resourceType": "Patient", "id": "secret-1"})
            await until_nothing_is_behind(summaries)
            await put(store, {"resourceType": "Patient", "id": "secret-2"})
            await until_nothing_is_behind(summaries)

    asyncio.run(asyncio.wait_for(work(), 60))
    assert "secret" not in caplog.text
    assert caplog.text.count("can't be renewed now") == 1


@pytest.mark.usefixtures("at_once")
def test_the_turn_of_the_day_puts_everybody_behind_and_the_task_catches_up(store):
    day = [NOW]
    summaries = Summaries(store, RowMaker(ZONE), ZONE, lambda: day[0])

    async def as_of():
        return sorted(
            json.loads(one.content)["day"]
            for one in (await store.summaries(SummaryQuery("", summaries.maker.basis))).listed
            if one.content
        )

    async def work():
        await put(store, {"resourceType": "Patient", "id": "a"})
        await put(store, {"resourceType": "Patient", "id": "b"})
        async with renewing(summaries):
            await until_nothing_is_behind(summaries)
            day[0] = NOW.replace(day=2)
            async for _ in looks():
                if NOW.date().isoformat() not in await as_of():
                    break
        return await as_of()

    assert asyncio.run(asyncio.wait_for(work(), 60)) == ["2026-10-02", "2026-10-02"]
