"""The pages over a real store: what is shown is what the operation computes from the same resources."""

import json
from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import pytest
from page_reader import Page

from service.errors import Gone, NotFound
from service.fhir.canonical import code_system
from service.fhir.search_keys import extract
from service.operations.goal_attainment import compute
from service.page.stored import PEOPLE_ON_A_PAGE, StoredViews
from service.store.sqlite import SqliteStore

pytestmark = pytest.mark.anyio
ZONE = ZoneInfo("America/New_York")
OBSERVATION, VALUE = code_system("swallow-observation"), code_system("swallow-value")
# day, probe as observed (1 closed, 0 not closed), block after training
VISITS = (
    ("2026-06-05", "01010", "11010"),
    ("2026-06-19", "11011", "11111"),
    ("2026-07-03", "11011", "11111"),
)


def coded(code, system=VALUE, text=""):
    return {"coding": [{"system": system, "code": code}], "text": text or code.replace("-", " ")}


def component(code, answer):
    return {"code": coded(code, OBSERVATION), "valueCodeableConcept": coded(answer)}


def observation(id_, code, day, **more):
    return {
        "resourceType": "Observation",
        "id": id_,
        "status": "final",
        "code": coded(code, OBSERVATION),
        "subject": {"reference": "Patient/p1"},
        "effectiveDateTime": f"{day}T10:00:00-04:00",
        **more,
    }


def trial(day, block, number, seen):
    parts = [
        component("training-block", block),
        {"code": coded("trial-number", OBSERVATION), "valueInteger": number},
        component("posture", "chin-down"),
        component("jaw-position", "open"),
        component("effort-instructed", "light"),
    ]
    answer = coded("closed" if seen == "1" else "not-closed")
    return observation(
        f"{day}-{block}-{number}", "trial-closure", day, valueCodeableConcept=answer, component=parts
    )


def encounter(day):
    return {
        "resourceType": "Encounter",
        "id": f"visit-{day}",
        "status": "finished",
        "class": {"code": "AMB"},
        "subject": {"reference": "Patient/p1"},
        "period": {"start": f"{day}T10:00:00-04:00"},
    }


def patient(id_, family, **more):
    return {"resourceType": "Patient", "id": id_, "name": [{"family": family, "given": ["Test"]}], **more}


GOAL = {
    "resourceType": "Goal",
    "id": "g1",
    "lifecycleStatus": "active",
    "achievementStatus": {
        "coding": [
            {"system": "http://terminology.hl7.org/CodeSystem/goal-achievement", "code": "in-progress"}
        ]
    },
    "description": {"text": "Close the vocal folds"},
    "subject": {"reference": "Patient/p1"},
    "startDate": "2026-06-05",
    "target": [
        {
            "measure": coded("closure-accuracy", OBSERVATION),
            "detailQuantity": {
                "value": 80,
                "comparator": ">=",
                "unit": "%",
                "system": "http://unitsofmeasure.org",
                "code": "%",
            },
            "dueDate": "2026-09-25",
        }
    ],
}
LABEL = {"meta": {"security": [{"code": "HTEST"}]}, "birthDate": "1935-03-14"}
FLAGS = {"component": [component("fever", "no"), component("blood", "yes")]}
FILED = [
    patient("p1", "Testwell", **LABEL),
    GOAL,
    *(encounter(day) for day, _, _ in VISITS),
    *(
        trial(day, block, number, seen)
        for day, probe, after in VISITS
        for block, row in (("pre", probe), ("post", after))
        for number, seen in enumerate(row, 1)
    ),
    observation("level", "oral-intake-7", "2026-07-03", valueInteger=5),
    observation("flags", "red-flag-checklist", "2026-07-03", **FLAGS),
]


async def put(store, *resources):
    async def work(transaction):
        for one in resources:
            content = json.dumps(one).encode()
            await transaction.put(one["resourceType"], one["id"], content, extract(one, zone=ZONE))

    await store.write("test", work)


def now():
    return datetime(2026, 7, 4, 2, 0, tzinfo=UTC)  # still 3 July at the site


@pytest.fixture
async def store(tmp_path):
    opened = SqliteStore(tmp_path / "store.sqlite", clock=now)
    await put(opened, *FILED)
    yield opened
    await opened.close()


@pytest.fixture
def views(store):
    return StoredViews(store, ZONE, now)


async def test_the_goals_are_the_operations_answer_of_the_same_day(views, store):
    for day in (date(2026, 6, 5), date(2026, 6, 19), date(2026, 7, 3)):
        shown = (await views.patient("p1", day)).goals[0]
        computed = (await compute(store, "p1", day, zone=ZONE)).goals[0]
        assert shown.computed == computed.status.code
        assert [
            (one.day, one.value, one.trials.k, one.trials.n, one.low, one.high) for one in shown.readings
        ] == [
            (one.day, one.value.value, one.value.k, one.value.n, one.interval.low, one.interval.high)
            for one in computed.readings
        ]
        assert (shown.attained, shown.run) == (
            computed.status.progress.attained,
            computed.status.progress.in_a_row,
        )


async def test_without_a_day_it_is_today_at_the_site(views):
    shown = await views.patient("p1", None)
    assert shown.day == date(2026, 7, 3)
    assert (shown.goals[0].computed, shown.goals[0].attained) == ("achieved", date(2026, 7, 3))


async def test_the_page_shows_those_numbers(get):
    page = Page((await get("/app/patients/p1?date=2026-07-03")).text)
    assert page.rows[1][:3] == [
        "40 % 2 of 5 5 Jun 2026",
        "80 % 4 of 5 3 Jul 2026 95 % interval 38 % to 96 %",
        "80 % or more on 2 consecutive visits: met on 3 Jul 2026",
    ]
    assert "the numbers say achieved, the record states in progress" in page.text
    assert (
        "somebody whose true rate is 60 % meets this criterion within 3 visits 19 times in 100" in page.text
    )
    assert "Red flags, last visit blood" in page.text
    assert "level 5 of 7 (3 Jul 2026)" in page.text
    assert "91 (born 1935)" in page.text
    assert ["1", "chin down, jaw open", "closed", "not asked", "light", "not recorded"] in page.rows


async def test_the_list_counts_open_goals_and_goes_page_by_page(views, store):
    await put(store, *(patient(f"q{number:02}", "Other") for number in range(PEOPLE_ON_A_PAGE)))
    first, after = await views.patients("")
    second, end = await views.patients(after)
    people = [*first, *second]
    assert (len(first), len(second), end) == (PEOPLE_ON_A_PAGE, 1, "")
    assert len({row.id for row in people}) == PEOPLE_ON_A_PAGE + 1
    row = next(row for row in people if row.id == "p1")
    assert (row.name, row.age, row.last_visit, row.open_goals) == (
        "Test Testwell",
        91,
        date(2026, 7, 3),
        {"achieved": 1},
    )
    assert row.invented


async def test_a_closed_goal_is_not_open(views, store):
    await put(store, GOAL | {"lifecycleStatus": "completed"})
    assert (await views.patients(""))[0][0].open_goals == {}


async def test_an_unknown_and_a_deleted_person(views, store):
    with pytest.raises(NotFound):
        await views.patient("nobody", None)

    async def work(transaction):
        await transaction.delete("Patient", "p1")

    await store.write("test", work)
    with pytest.raises(Gone):
        await views.patient("p1", None)
    assert (await views.patients(""))[0] == []
