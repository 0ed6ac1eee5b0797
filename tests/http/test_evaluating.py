"""Evaluating a measure over HTTP."""

from collections.abc import Callable

import pytest
from httpx import AsyncClient

from service.fhir.json import parse
from service.fhir.validation import errors
from service.shipped import shipped

pytestmark = pytest.mark.anyio

URL = "https://swallow-interop.example.org/fhir/Measure/goal-attainment"
PERIOD = {"periodStart": "2026-01-01", "periodEnd": "2026-05-31"}
ALL = "/fhir/Measure/$evaluate-measure"
ONE = "/fhir/Measure/goal-attainment/$evaluate-measure"


@pytest.fixture
async def patient(clinician: AsyncClient) -> str:
    record = shipped("examples", "visits", "demo-01-visit-1.yaml").read_bytes()
    headers = {"Content-Type": "application/yaml"}
    assert (await clinician.post("/intake/visits", content=record, headers=headers)).status_code == 201
    found = (await clinician.get("/fhir/Patient?identifier=demo-01")).json()
    return str(found["entry"][0]["resource"]["id"])


async def test_type_instance_get_and_post_answer_the_same(clinician: AsyncClient, patient: str) -> None:
    body = {
        "resourceType": "Parameters",
        "parameter": [{"name": name, "valueDate": day} for name, day in PERIOD.items()],
    }
    answers = [
        await clinician.get(ALL, params=PERIOD | {"measure": URL}),
        await clinician.get(ONE, params=PERIOD),
        await clinician.post(ONE, json=body),
    ]
    for answer in answers:
        assert answer.status_code == 200, answer.text
        assert errors(parse(answer.content)) == ()
        assert answer.json() == answers[0].json()
    assert answers[0].json()["type"] == "summary"
    one = await clinician.get(ONE, params=PERIOD | {"subject": patient})
    assert one.json()["subject"]["reference"] == f"Patient/{patient}"


async def test_the_measure_is_read_like_a_stored_one_and_nobody_writes_it(
    clinician: AsyncClient, integrator: AsyncClient
) -> None:
    answer = await clinician.get("/fhir/Measure/goal-attainment")
    assert answer.json()["url"] == URL
    assert (await integrator.put("/fhir/Measure/goal-attainment", json=answer.json())).status_code == 409


async def test_what_can_not_be_asked(clinician: AsyncClient, integrator: AsyncClient) -> None:
    assert (await clinician.get(ALL, params=PERIOD)).status_code == 400
    assert (await clinician.get(ONE)).status_code == 400
    other = await clinician.get("/fhir/Measure/other/$evaluate-measure", params=PERIOD)
    assert other.status_code == 404
    nobody = await integrator.get(ONE, params=PERIOD | {"subject": "Patient/nobody"})
    assert nobody.status_code == 404


async def test_the_rights_are_those_of_reading_the_people(
    client_of: Callable[[str], AsyncClient], integrator: AsyncClient, sign: Callable[..., str]
) -> None:
    assert (await client_of("researcher").get(ONE, params=PERIOD)).status_code == 403
    for scope in ("user/Measure.rs", "user/Patient.rs", "user/Patient.rs user/Goal.r user/Observation.r"):
        headers = {"Authorization": f"Bearer {sign(scope)}"}
        assert (await integrator.get(ONE, params=PERIOD, headers=headers)).status_code == 403
