"""What a person decides about computed results, over HTTP."""

from typing import Any

import pytest
from httpx import AsyncClient, Response

from service.fhir.json import parse
from service.fhir.validation import errors
from service.shipped import shipped

pytestmark = pytest.mark.anyio

NAMES = ("accept-status", "override-status", "exclude-visit", "mark-not-observable", "sign-visit", "undo")
RECORDS = "https://clinic.example.org/visit-records"
XML = {"Content-Type": "application/fhir+xml", "Accept": "application/fhir+xml"}


@pytest.fixture
async def goal(clinician: AsyncClient) -> str:
    """The address of a goal with two visits behind it."""
    for visit in (1, 2):
        record = shipped("examples", "visits", f"demo-01-visit-{visit}.yaml").read_bytes()
        answer = await clinician.post(
            "/intake/visits", content=record, headers={"Content-Type": "application/yaml"}
        )
        assert answer.status_code == 201, answer.text
    return await found(clinician, "Goal", "demo-01-visit-1/goals/closure")


async def found(client: AsyncClient, type_: str, value: str) -> str:
    answer = await client.get(f"/fhir/{type_}", params={"identifier": f"{RECORDS}|{value}"})
    (entry,) = answer.json()["entry"]
    return f"/fhir/{type_}/{entry['resource']['id']}"


async def decide(client: AsyncClient, address: str, name: str, tag: str = "", **given: str) -> Response:
    """Call an operation with its parameters in a body; ``tag`` is sent as If-Match."""
    types = {"date": "valueDate", "reason": "valueString"}
    parameters = [{"name": key, types.get(key, "valueCode"): value} for key, value in given.items()]
    body = {"resourceType": "Parameters", **({"parameter": parameters} if parameters else {})}
    headers = {"If-Match": tag} if tag else {}
    return await client.post(f"{address}/${name}", json=body, headers=headers)


async def tag(client: AsyncClient, address: str) -> str:
    return (await client.get(address)).headers["etag"]


def told(answer: Response, name: str) -> list[str]:
    assert answer.status_code == 200, answer.text
    assert errors(parse(answer.content)) == ()
    return [one["valueReference"]["reference"] for one in answer.json()["parameter"] if one["name"] == name]


def said(answer: Response) -> list[str]:
    return [issue["details"]["text"] for issue in answer.json()["issue"]]


async def test_the_operations_are_declared(clinician: AsyncClient) -> None:
    (rest,) = (await clinician.get("/fhir/metadata")).json()["rest"]
    declared = {one["name"] for resource in rest["resource"] for one in resource.get("operation", [])}
    assert set(NAMES) <= declared
    for name in NAMES:
        definition = (await clinician.get(f"/fhir/OperationDefinition/{name}")).json()
        assert errors(definition) == ()
        assert definition["affectsState"] is True


async def test_a_status_is_accepted_and_the_acceptance_undone(clinician: AsyncClient, goal: str) -> None:
    answer = await decide(
        clinician, goal, "accept-status", await tag(clinician, goal), computed="not-achieved"
    )
    version, statement = told(answer, "changed")
    assert version == f"{goal.removeprefix('/fhir/')}/_history/2"
    assert statement.startswith("Observation/")
    now = (await clinician.get(goal)).json()
    assert now["achievementStatus"]["coding"][0]["code"] == "not-achieved"
    (provenance,) = told(answer, "provenance")
    undone = await decide(clinician, f"/fhir/{provenance}", "undo", reason="Too early.")
    assert told(undone, "changed")[0].endswith("/_history/3")
    before = (await clinician.get(f"{goal}/_history/1")).json()
    assert (await clinician.get(goal)).json().get("achievementStatus") == before.get("achievementStatus")
    about = await clinician.get("/fhir/Provenance", params={"target": goal.removeprefix("/fhir/")})
    assert len(about.json()["entry"]) >= 2


async def test_a_decision_names_the_version_that_was_looked_at(clinician: AsyncClient, goal: str) -> None:
    silent = await decide(clinician, goal, "accept-status")
    assert (silent.status_code, "If-Match" in said(silent)[0]) == (400, True)
    old = await tag(clinician, goal)
    assert (await decide(clinician, goal, "accept-status", old)).status_code == 200
    late = await decide(clinician, goal, "override-status", old, achievement="no-change", reason="No.")
    assert late.status_code == 412


async def test_problems_are_all_told_at_once(clinician: AsyncClient, goal: str) -> None:
    given = {"achievement": "fine", "lifecycle": "gone", "reason": "Because."}
    answer = await decide(clinician, goal, "override-status", 'W/"1"', **given)
    assert answer.status_code == 422
    assert len(said(answer)) == 2
    unknown = await decide(clinician, goal, "accept-status", 'W/"1"', colour="red")
    assert (unknown.status_code, "'colour' is not a parameter" in said(unknown)[0]) == (400, True)


async def test_a_visit_and_a_trial(clinician: AsyncClient, goal: str) -> None:
    visit = await found(clinician, "Encounter", "demo-01-visit-2")
    out = await decide(
        clinician, visit, "exclude-visit", await tag(clinician, visit), reason="A cold.", code="unwell"
    )
    assert told(out, "changed") == [f"{visit.removeprefix('/fhir/')}/_history/2"]
    trial = await found(clinician, "Observation", "demo-01-visit-1/pre/2")
    seen = await tag(clinician, trial)
    body = (
        '<Parameters xmlns="http://hl7.org/fhir"><parameter><name value="code"/>'
        '<valueCode value="movement"/></parameter></Parameters>'
    )
    answer = await clinician.post(
        f"{trial}/$mark-not-observable", content=body, headers=XML | {"If-Match": seen}
    )
    assert answer.status_code == 200, answer.text
    assert "<Parameters" in answer.text
    assert (await clinician.get(trial)).json()["status"] == "amended"
    assert goal


async def test_a_visit_that_waits_for_no_signature_is_not_signed(clinician: AsyncClient, goal: str) -> None:
    visit = await found(clinician, "Encounter", "demo-01-visit-2")
    assert (await decide(clinician, visit, "sign-visit")).status_code == 400
    answer = await decide(clinician, visit, "sign-visit", await tag(clinician, visit))
    assert answer.status_code == 422
    assert said(answer) == ["This visit waits for no signature; what is signed is changed by an amendment."]
    assert goal


async def test_the_right_is_asked_for(
    goal: str, integrator: AsyncClient, researcher: AsyncClient, stranger: AsyncClient, sign: Any
) -> None:
    seen = await tag(integrator, goal)
    for client, status in ((researcher, 403), (stranger, 401)):
        assert (await decide(client, goal, "accept-status", seen)).status_code == status
    only = {"Authorization": f"Bearer {sign('user/*.rs')}", "If-Match": seen}
    assert (await integrator.post(f"{goal}/$accept-status", headers=only)).status_code == 403
    assert (await decide(integrator, goal, "accept-status", seen)).status_code == 200


async def test_what_is_not_there(clinician: AsyncClient) -> None:
    assert (await decide(clinician, "/fhir/Goal/none", "accept-status", 'W/"1"')).status_code == 404
    assert (await decide(clinician, "/fhir/Provenance/none", "undo")).status_code == 404
    assert (await clinician.get("/fhir/Goal/none/$accept-status")).status_code == 405
