"""The goal attainment operations over HTTP, over the demo's first person."""

from typing import Any

import pytest
from httpx import AsyncClient, Response

from service.fhir.json import parse
from service.fhir.validation import errors
from service.shipped import shipped

pytestmark = pytest.mark.anyio

NAMES = ("demo-01-evaluation-1", "demo-01-visit-1", "demo-01-visit-2")
DAY = "2026-02-11"


@pytest.fixture
async def patient(integrator: AsyncClient) -> str:
    """Take in the first visits and answer the address of the person."""
    for name in NAMES:
        body = shipped("examples", "visits", f"{name}.yaml").read_bytes()
        headers = {"Content-Type": "application/yaml"}
        answer = await integrator.post("/intake/visits", content=body, headers=headers)
        assert answer.status_code == 201, answer.text
    found = (await integrator.get("/fhir/Patient?identifier=demo-01")).json()
    return str(found["entry"][0]["fullUrl"])


def goals(answer: Response) -> list[dict[str, Any]]:
    assert answer.status_code == 200, answer.text
    assert errors(parse(answer.content)) == ()
    return [part for part in answer.json()["parameter"] if part["name"] == "goal"]


@pytest.mark.conformance("F1")
async def test_get_and_post_answer_the_same(clinician: AsyncClient, patient: str) -> None:
    got = await clinician.get(f"{patient}/$goal-attainment", params={"date": DAY})
    body = {"resourceType": "Parameters", "parameter": [{"name": "date", "valueDate": DAY}]}
    posted = await clinician.post(f"{patient}/$goal-attainment", json=body)
    assert goals(got) == goals(posted) != []


async def test_the_default_day_is_today(clinician: AsyncClient, patient: str) -> None:
    today = await clinician.post(f"{patient}/$goal-attainment")
    named = await clinician.get(f"{patient}/$goal-attainment?date=2026-06-01&_format=json")
    assert goals(today)
    assert today.json() == named.json()


async def test_computing_stores_nothing(
    clinician: AsyncClient, integrator: AsyncClient, patient: str
) -> None:
    before = (await integrator.get("/fhir/Observation?_count=0")).json()["total"]
    await clinician.get(f"{patient}/$goal-attainment")
    assert (await integrator.get("/fhir/Observation?_count=0")).json()["total"] == before


async def test_recording_stores_results_once(
    clinician: AsyncClient, integrator: AsyncClient, patient: str
) -> None:
    first = await clinician.post(f"{patient}/$record-goal-attainment?date={DAY}")
    recorded = [
        part["valueReference"]["reference"]
        for part in first.json()["parameter"]
        if part["name"] == "recorded"
    ]
    assert recorded
    observation = (await clinician.get(f"/fhir/{recorded[0]}")).json()
    assert observation["derivedFrom"]
    again = await integrator.post(f"{patient}/$record-goal-attainment?date={DAY}")
    assert again.json() == first.json()
    assert (await clinician.get(f"/fhir/{recorded[0]}")).headers["etag"] == 'W/"1"'


async def test_recording_needs_more_than_reading(integrator: AsyncClient, sign: Any, patient: str) -> None:
    headers = {"Authorization": f"Bearer {sign('user/*.rs')}"}
    assert (await integrator.get(f"{patient}/$goal-attainment", headers=headers)).status_code == 200
    refused = await integrator.post(f"{patient}/$record-goal-attainment", headers=headers)
    assert refused.status_code == 403
    only = {"Authorization": f"Bearer {sign('goal-decisions')}"}
    assert (await integrator.post(f"{patient}/$record-goal-attainment", headers=only)).status_code == 403


@pytest.mark.conformance("F1")
async def test_recording_is_no_get(clinician: AsyncClient, patient: str) -> None:
    answer = await clinician.get(f"{patient}/$record-goal-attainment")
    assert answer.status_code == 405
    assert answer.headers["allow"] == "POST, OPTIONS"


@pytest.mark.conformance("F1")
@pytest.mark.parametrize(
    "query", ["date=2026-13-01", "date=x", "date=", "day=2026-02-11", "date=2026-02-11&date=2026-02-12"]
)
async def test_bad_parameters_are_400(clinician: AsyncClient, query: str) -> None:
    assert (await clinician.get(f"/fhir/Patient/1/$goal-attainment?{query}")).status_code == 400


@pytest.mark.parametrize(
    "body",
    [
        b"{",
        b"[]",
        b'{"resourceType":"Patient"}',
        b'{"resourceType":"Parameters","parameter":[1]}',
        b"[" * 1000,
    ],
)
async def test_bad_bodies_are_400(clinician: AsyncClient, body: bytes) -> None:
    headers = {"Content-Type": "application/fhir+json"}
    answer = await clinician.post("/fhir/Patient/1/$goal-attainment", content=body, headers=headers)
    assert answer.status_code == 400


async def test_unknown_and_deleted_people(clinician: AsyncClient, integrator: AsyncClient) -> None:
    assert (await clinician.get("/fhir/Patient/none/$goal-attainment")).status_code == 404
    await integrator.put("/fhir/Patient/p1", json={"resourceType": "Patient", "id": "p1"})
    await integrator.delete("/fhir/Patient/p1")
    assert (await clinician.get("/fhir/Patient/p1/$goal-attainment")).status_code == 410
    assert (await clinician.post("/fhir/Patient/p1/$record-goal-attainment")).status_code == 410
