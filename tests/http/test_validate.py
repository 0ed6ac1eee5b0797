"""$validate: what is wrong, where it stands, whether a write would be accepted; nothing is stored."""

import json
from typing import Any

import pytest
from httpx import AsyncClient, Response
from outcomes import position, texts

from service.fhir.json import parse
from service.fhir.validation import check

pytestmark = pytest.mark.anyio

JSON = {"Content-Type": "application/fhir+json"}
XML = {"Content-Type": "application/fhir+xml"}
TEXT = {"status": "generated", "div": '<div xmlns="http://www.w3.org/1999/xhtml">HTEST</div>'}
PATIENT = {"resourceType": "Patient", "id": "p", "text": TEXT, "active": True}
BROKEN = b"""{
  "resourceType": "Observation",
  "code": {"text": "x"},
  "component": [
    {"code": {"text": "y"}},
    {"code": {"text": "z"}, "colour": "red"}
  ]
}"""


def issues(answer: Response) -> list[dict[str, Any]]:
    assert answer.status_code == 200, answer.text
    assert answer.json()["resourceType"] == "OperationOutcome"
    found: list[dict[str, Any]] = answer.json()["issue"]
    assert len({json.dumps(one) for one in found}) == len(found), "no issue is told twice"
    return found


def errors(answer: Response) -> list[dict[str, Any]]:
    return [one for one in issues(answer) if one["severity"] in {"fatal", "error"}]


def parameters(resource: Any = None, **more: str) -> dict[str, Any]:
    parts: list[dict[str, Any]] = [{"name": "resource", "resource": resource}] if resource else []
    kinds = {"mode": "valueCode", "profile": "valueUri"}
    parts += [{"name": name, kinds[name]: value} for name, value in more.items()]
    return {"resourceType": "Parameters", "parameter": parts}


@pytest.mark.conformance("E11")
async def test_a_valid_resource_has_no_problem(integrator: AsyncClient) -> None:
    for body in (PATIENT, parameters(PATIENT), parameters(PATIENT, mode="create")):
        (issue,) = issues(await integrator.post("/fhir/Patient/$validate", json=body))
        assert (issue["severity"], issue["code"]) == ("information", "informational")
    assert (await integrator.get("/fhir/Patient/p")).status_code == 404
    assert "entry" not in (await integrator.get("/fhir/_history")).json()


@pytest.mark.conformance("E11", "E12")
async def test_problems_are_told_with_expression_line_and_column(integrator: AsyncClient) -> None:
    answer = await integrator.post("/fhir/Observation/$validate", content=BROKEN, headers=JSON)
    found = {one["expression"][0]: position(one) for one in errors(answer)}
    assert found["Observation"] == (1, 1), "what is missing is placed where it is missing"
    assert found["Observation.component[1]"] == (6, 29), "the line of the member that is none"
    assert all(one["code"] and one["details"]["text"] for one in errors(answer))
    again = await integrator.post("/fhir/Observation/$validate", content=BROKEN, headers=JSON)
    assert again.content == answer.content, "the order is stable"


@pytest.mark.conformance("E12")
async def test_inside_parameters_the_line_is_that_of_the_body(integrator: AsyncClient) -> None:
    text = b'{"resourceType":"Parameters","parameter":[{"name":"mode","valueCode":"create"},\n'
    text += b'{"name":"resource","resource":{"resourceType":"Patient",\n "birthDate": "purple"}}]}'
    answer = await integrator.post("/fhir/Patient/$validate", content=text, headers=JSON)
    (issue,) = errors(answer)
    assert (issue["expression"], position(issue)) == (["Patient.birthDate"], (3, 2))


@pytest.mark.conformance("E12")
async def test_xml_is_read_and_placed_too(integrator: AsyncClient) -> None:
    text = b'<Patient xmlns="http://hl7.org/fhir">\n  <active value="true"/>\n'
    text += b'  <birthDate value="purple"/></Patient>'
    (issue,) = errors(await integrator.post("/fhir/Patient/$validate", content=text, headers=XML))
    assert (issue["expression"], position(issue)) == (["Patient.birthDate"], (3, 3))
    text = text.replace(b"birthDate", b"colour")
    (issue,) = errors(await integrator.post("/fhir/Patient/$validate", content=text, headers=XML))
    assert position(issue)[0] == 3


@pytest.mark.conformance("E11")
async def test_a_body_that_is_no_fhir_at_all_is_400(integrator: AsyncClient) -> None:
    for text, headers in ((b"{", JSON), (b"[]", JSON), (b"<Patient", XML), (b"", JSON), (b"hello", JSON)):
        answer = await integrator.post("/fhir/Patient/$validate", content=text, headers=headers)
        assert answer.status_code == 400, text
    answer = await integrator.post("/fhir/Patient/$validate", content=b"x", headers={"Content-Type": "a/b"})
    assert answer.status_code == 415


@pytest.mark.conformance("E11")
async def test_the_type_must_be_that_of_the_address(integrator: AsyncClient) -> None:
    for mode in ({}, {"mode": "create"}):
        answer = await integrator.post("/fhir/Observation/$validate", json=PATIENT, params=mode)
        assert "resourceType" in errors(answer)[0]["expression"]
    for body in ({"active": True}, {"resourceType": "Nothing"}, {"resourceType": 5}):
        assert errors(await integrator.post("/fhir/Patient/$validate", json=body))


@pytest.mark.conformance("E11")
async def test_the_stored_resource_is_validated_without_a_body(integrator: AsyncClient) -> None:
    assert (await integrator.get("/fhir/Patient/p/$validate")).status_code == 404
    await integrator.put("/fhir/Patient/p", json=PATIENT)
    for answer in (
        await integrator.get("/fhir/Patient/p/$validate"),
        await integrator.post("/fhir/Patient/p/$validate"),
        await integrator.post("/fhir/Patient/p/$validate", json=parameters(mode="delete")),
    ):
        assert not errors(answer)
    assert (await integrator.get("/fhir/Patient/p")).headers["etag"] == 'W/"1"'
    await integrator.delete("/fhir/Patient/p")
    assert (await integrator.get("/fhir/Patient/p/$validate")).status_code == 410


@pytest.mark.conformance("E11")
async def test_an_update_needs_the_same_id_and_version(integrator: AsyncClient) -> None:
    await integrator.put("/fhir/Patient/p", json=PATIENT)
    where = "/fhir/Patient/p/$validate?mode=update"
    assert not errors(await integrator.post(where, json=PATIENT | {"active": False}))
    for wrong in ({"resourceType": "Patient"}, PATIENT | {"id": "other"}):
        (issue,) = errors(await integrator.post(where, json=wrong))
        assert issue["expression"] == ["Patient.id"]
    stale = await integrator.post(where, json=PATIENT, headers={"If-Match": 'W/"7"'})
    assert [one["code"] for one in errors(stale)] == ["conflict"]
    assert not errors(await integrator.post(where, json=PATIENT, headers={"If-Match": 'W/"1"'}))
    assert (await integrator.get("/fhir/Patient/p")).json()["active"] is True


@pytest.mark.conformance("E11")
async def test_modes_that_do_not_fit_are_400(integrator: AsyncClient) -> None:
    for path, query in (
        ("Patient/$validate", "mode=update"),
        ("Patient/$validate", "mode=delete"),
        ("Patient/$validate", "mode=nothing"),
        ("Patient/$validate", "mode=create&mode=create"),
        ("Patient/$validate", "colour=red"),
    ):
        answer = await integrator.post(f"/fhir/{path}?{query}", json=PATIENT)
        assert answer.status_code == 400, query
    twice = parameters(PATIENT)
    twice["parameter"] *= 2
    for body in (parameters(), parameters(mode="create"), twice, parameters({}), parameters("Patient")):
        answer = await integrator.post("/fhir/Patient/$validate", json=body)
        assert answer.status_code == 400, body
    assert (await integrator.get("/fhir/Patient/p/$validate?mode=create")).status_code == 400
    assert (await integrator.get("/fhir/Patient/$validate")).status_code == 405


@pytest.mark.conformance("E11")
async def test_what_the_caller_may_not_do_is_an_issue(
    clinician: AsyncClient, integrator: AsyncClient
) -> None:
    answer = await clinician.post("/fhir/Patient/$validate?mode=create", json=PATIENT)
    assert [one["code"] for one in errors(answer)] == ["forbidden"]
    assert not errors(await clinician.post("/fhir/Patient/$validate", json=PATIENT))
    event = await integrator.get("/fhir/AuditEvent/x/$validate?mode=delete")
    assert [one["code"] for one in errors(event)] == ["not-supported"]


@pytest.mark.conformance("E11")
async def test_strangers_and_others_get_nothing(stranger: AsyncClient, researcher: AsyncClient) -> None:
    assert (await stranger.post("/fhir/Patient/$validate", json=PATIENT)).status_code == 401
    assert (await researcher.post("/fhir/Patient/$validate", json=PATIENT)).status_code == 403


@pytest.mark.conformance("E11")
async def test_an_unknown_profile_is_an_error(integrator: AsyncClient) -> None:
    unknown = "https://example.org/StructureDefinition/unknown"
    for body, query in ((PATIENT, {"profile": unknown}), (parameters(PATIENT, profile=unknown), {})):
        (issue,) = errors(await integrator.post("/fhir/Patient/$validate", json=body, params=query))
        assert "profile" in issue["details"]["text"]
    base = parameters(PATIENT, profile="http://hl7.org/fhir/StructureDefinition/Patient")
    assert not errors(await integrator.post("/fhir/Patient/$validate", json=base))


async def test_a_part_of_a_resource_could_not_be_written(integrator: AsyncClient) -> None:
    tag = {"system": "http://terminology.hl7.org/CodeSystem/v3-ObservationValue", "code": "SUBSETTED"}
    part = PATIENT | {"meta": {"tag": [tag]}}
    assert not errors(await integrator.post("/fhir/Patient/p/$validate", json=part))
    assert "SUBSETTED" in texts(await integrator.post("/fhir/Patient/p/$validate?mode=update", json=part))


async def test_the_answer_is_valid_itself(integrator: AsyncClient) -> None:
    answer = await integrator.post("/fhir/Observation/$validate", content=BROKEN, headers=JSON)
    assert not [one for one in check(parse(answer.content)) if one.severity == "error"]
    as_xml = await integrator.post("/fhir/Observation/$validate?_format=xml", content=BROKEN, headers=JSON)
    assert as_xml.headers["content-type"].startswith("application/fhir+xml")
    assert b"OperationOutcome" in as_xml.content
