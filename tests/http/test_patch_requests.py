"""PATCH over HTTP, in every format it is declared for."""

import json
from typing import Any

import pytest
from httpx import AsyncClient, Response

from service.fhir import xml, xml_writer
from service.fhir.patch import PATCH_FORMATS

pytestmark = pytest.mark.anyio

JSON = "application/json-patch+json"
SYSTEM = "http://x.example/ids"
GOAL: dict[str, Any] = {
    "resourceType": "Goal",
    "id": "g",
    "identifier": [{"system": SYSTEM, "value": "1"}],
    "lifecycleStatus": "active",
    "description": {"text": "HTEST"},
    "subject": {"reference": "Patient/p"},
}
PARAMETERS = {
    "resourceType": "Parameters",
    "parameter": [
        {
            "name": "operation",
            "part": [
                {"name": "type", "valueCode": "replace"},
                {"name": "path", "valueString": "Goal.lifecycleStatus"},
                {"name": "value", "valueCode": "completed"},
            ],
        }
    ],
}
XML_PATCH = b'<diff><replace sel="Goal/lifecycleStatus/@value">completed</replace></diff>'
BODIES = {
    JSON: b'[{"op":"replace","path":"/lifecycleStatus","value":"completed"}]',
    "application/fhir+json": json.dumps(PARAMETERS).encode(),
    "application/json": json.dumps(PARAMETERS).encode(),
    "application/fhir+xml": xml_writer.dump(PARAMETERS),
    "application/xml-patch+xml": XML_PATCH,
}


@pytest.fixture
async def goal(integrator: AsyncClient) -> None:
    assert (await integrator.put("/fhir/Goal/g", json=GOAL)).status_code == 201


async def patch(
    client: AsyncClient, path: str = "Goal/g", body: bytes = BODIES[JSON], type_: str = JSON, **headers: str
) -> Response:
    named = {name.replace("_", "-"): value for name, value in headers.items()}
    return await client.patch(f"/fhir/{path}", content=body, headers={"Content-Type": type_} | named)


@pytest.mark.usefixtures("goal")
@pytest.mark.conformance("G1", "B16", "B17", "B18")
async def test_every_declared_format_works_and_no_other(integrator: AsyncClient) -> None:
    declared = (await integrator.get("/fhir/metadata")).json()["patchFormat"]
    assert tuple(declared) == PATCH_FORMATS
    for format_ in declared:
        answer = await patch(integrator, body=BODIES[format_], type_=format_)
        assert answer.status_code == 200, answer.text
        assert answer.json()["lifecycleStatus"] == "completed"
        assert answer.headers["etag"] == f'W/"{answer.json()["meta"]["versionId"]}"'
        assert answer.headers["content-location"].endswith(f"/_history/{answer.json()['meta']['versionId']}")
        await integrator.put("/fhir/Goal/g", json=GOAL)
    for format_ in ("application/merge-patch+json", "text/plain", "application/fhir+json; fhirVersion=5.0"):
        refused = await patch(integrator, type_=format_)
        assert refused.status_code == 415
        assert refused.json()["resourceType"] == "OperationOutcome"


@pytest.mark.usefixtures("goal")
@pytest.mark.conformance("B15")
async def test_conditional_patch(integrator: AsyncClient) -> None:
    found = await patch(integrator, f"Goal?identifier={SYSTEM}|1")
    assert (found.status_code, found.json()["id"]) == (200, "g")
    assert (await patch(integrator, f"Goal?identifier={SYSTEM}|2")).status_code == 404
    assert (await patch(integrator, "Goal")).status_code == 400
    await integrator.put("/fhir/Goal/h", json=GOAL | {"id": "h"})
    assert (await patch(integrator, f"Goal?identifier={SYSTEM}|1")).status_code == 412


@pytest.mark.usefixtures("goal")
@pytest.mark.conformance("B16", "B19", "A15")
async def test_refusals(integrator: AsyncClient) -> None:
    failing = b'[{"op":"test","path":"/lifecycleStatus","value":"proposed"}]'
    tried = {
        422: await patch(integrator, body=failing),
        412: await patch(integrator, If_Match='W/"9"'),
        404: await patch(integrator, "Goal/none"),
        400: await patch(integrator, body=b"{}"),
    }
    for status, answer in tried.items():
        assert (answer.status_code, answer.json()["resourceType"]) == (status, "OperationOutcome")
    assert (await integrator.get("/fhir/Goal/g")).headers["etag"] == 'W/"1"'
    await integrator.delete("/fhir/Goal/g")
    assert (await patch(integrator)).status_code == 410


@pytest.mark.usefixtures("goal")
@pytest.mark.conformance("B22", "A4")
async def test_the_answer_is_shaped_like_that_of_an_update(integrator: AsyncClient) -> None:
    minimal = await patch(integrator, Prefer="return=minimal")
    assert (minimal.status_code, minimal.content) == (200, b"")
    outcome = await patch(integrator, Prefer="return=OperationOutcome")
    assert outcome.json()["resourceType"] == "OperationOutcome"
    as_xml = await patch(integrator, Accept="application/fhir+xml")
    assert xml.parse(as_xml.content)["lifecycleStatus"] == "completed"


@pytest.mark.usefixtures("goal")
async def test_a_patch_wants_the_right_to_update(clinician: AsyncClient, stranger: AsyncClient) -> None:
    assert (await patch(clinician)).status_code == 403
    assert (await patch(stranger)).status_code == 401


@pytest.mark.usefixtures("goal")
@pytest.mark.conformance("L7")
async def test_hostile_patches_are_refused(integrator: AsyncClient) -> None:
    bodies = {
        JSON: [
            b"[" * 10_000,
            b'[{"op":"copy","from":"","path":"/x"},' * 2,
            b"\xff",
            b'[{"op":"add","path":"/' + b"a/" * 9_000 + b'","value":1}]',
        ],
        "application/xml-patch+xml": [b"<!DOCTYPE a [<!ENTITY b 'c'>]><diff>&b;</diff>", b"<diff>" * 5_000],
        "application/fhir+json": [b'{"resourceType":"Parameters","parameter":[{"name":"operation"}]}'],
        "application/fhir+xml": [b"<Parameters/>", b"<"],
    }
    for type_, tried in bodies.items():
        for body in tried:
            answer = await patch(integrator, body=body, type_=type_)
            assert answer.status_code in {400, 422}, body[:40]
            assert answer.json()["resourceType"] == "OperationOutcome"
