"""Profiles, security labels and tags: kept through updates, changed by operations (FHIR R4 resource.html)."""

from typing import Any

import pytest
from httpx import AsyncClient, Response

pytestmark = pytest.mark.anyio

LABEL = {"system": "http://terminology.hl7.org/CodeSystem/v3-Confidentiality", "code": "N"}
TEST = {"system": "http://terminology.hl7.org/CodeSystem/v3-ActReason", "code": "HTEST"}
TAG = {"system": "https://clinic.example.org/tags", "code": "trial"}
PROFILE = "http://hl7.org/fhir/us/core/StructureDefinition/us-core-patient"
JSON = {"Content-Type": "application/fhir+json"}


async def put(client: AsyncClient, meta: dict[str, Any] | None, **more: Any) -> dict[str, Any]:
    tree = {"resourceType": "Patient", "id": "p", **({"meta": meta} if meta else {}), **more}
    answer = await client.put("/fhir/Patient/p", json=tree)
    assert answer.is_success, answer.text
    body: dict[str, Any] = answer.json()
    return body


async def operate(client: AsyncClient, name: str, meta: dict[str, Any], **headers: str) -> Response:
    body = {"resourceType": "Parameters", "parameter": [{"name": "meta", "valueMeta": meta}]}
    return await client.post(f"/fhir/Patient/p/${name}", json=body, headers=headers)


def returned(answer: Response) -> dict[str, Any]:
    assert answer.status_code == 200, answer.text
    (parameter,) = answer.json()["parameter"]
    assert parameter["name"] == "return"
    meta: dict[str, Any] = parameter["valueMeta"]
    return meta


@pytest.mark.conformance("B25")
async def test_an_update_keeps_labels_and_tags_it_does_not_name(integrator: AsyncClient) -> None:
    await put(integrator, {"security": [LABEL], "tag": [TAG], "profile": [PROFILE]})
    changed = await put(integrator, {"security": [TEST]}, active=True)
    assert changed["meta"]["security"] == [LABEL, TEST]
    assert changed["meta"]["tag"] == [TAG]
    assert "profile" not in changed["meta"], "a profile is a claim about this content and kept as sent"
    assert changed["meta"]["versionId"] == "2"
    assert (await put(integrator, None, active=True))["meta"]["versionId"] == "2", "nothing new was said"


@pytest.mark.conformance("B25")
async def test_labels_are_added_in_the_text_as_it_was_sent(integrator: AsyncClient) -> None:
    await put(integrator, {"tag": [TAG]})
    text = '{ "resourceType" : "Patient",\n "id": "p", "multipleBirthInteger":   2 ,"active":true }'
    answer = await integrator.put("/fhir/Patient/p", content=text, headers=JSON)
    assert '"multipleBirthInteger":   2 ,"active":true }' in answer.text
    assert answer.json()["meta"]["tag"] == [TAG]


@pytest.mark.conformance("B25")
async def test_a_transaction_keeps_them_too(integrator: AsyncClient) -> None:
    await put(integrator, {"tag": [TAG]})
    entry = {
        "request": {"method": "PUT", "url": "Patient/p"},
        "resource": {"resourceType": "Patient", "id": "p", "active": False},
    }
    await integrator.post("/fhir", json={"resourceType": "Bundle", "type": "transaction", "entry": [entry]})
    body = (await integrator.get("/fhir/Patient/p")).json()
    assert (body["active"], body["meta"]["tag"]) == (False, [TAG])


@pytest.mark.conformance("B25", "F11")
async def test_meta_add_and_delete_change_nothing_else(integrator: AsyncClient) -> None:
    text = '{"resourceType":"Patient","id":"p", "multipleBirthInteger": 2, "meta":{"tag":[{"code":"x"}]}}'
    await integrator.put("/fhir/Patient/p", content=text, headers=JSON)
    added = returned(await operate(integrator, "meta-add", {"tag": [TAG], "security": [LABEL]}))
    assert (added["tag"], added["security"]) == ([{"code": "x"}, TAG], [LABEL])
    read = await integrator.get("/fhir/Patient/p")
    assert '"id":"p", "multipleBirthInteger": 2, "meta":' in read.text
    assert read.json()["meta"] == added == returned(await integrator.get("/fhir/Patient/p/$meta"))
    left = returned(await operate(integrator, "meta-delete", {"tag": [{"code": "x"}], "security": [LABEL]}))
    assert (left["tag"], left.get("security"), left["versionId"]) == ([TAG], None, "3")
    again = returned(await operate(integrator, "meta-delete", {"security": [LABEL]}))
    assert again["versionId"] == "3", "there was nothing to take away"


@pytest.mark.conformance("F11", "F1")
async def test_meta_operations_refuse_what_they_cannot_use(
    integrator: AsyncClient, clinician: AsyncClient
) -> None:
    assert (await operate(integrator, "meta-add", {"tag": [TAG]})).status_code == 404
    await put(integrator, None)
    assert (await operate(integrator, "meta-add", {"tag": "x"})).status_code == 400
    assert (await operate(integrator, "meta-add", {"tag": [TAG]}, **{"If-Match": 'W/"7"'})).status_code == 412
    assert (await operate(clinician, "meta-add", {"tag": [TAG]})).status_code == 403
    assert (await integrator.get("/fhir/Patient/p/$meta-add")).status_code == 405
    assert (await integrator.get("/fhir/Patient/p/$meta?x=1")).status_code == 400
    empty = await integrator.post("/fhir/Patient/p/$meta-add", json={"resourceType": "Parameters"})
    assert empty.status_code == 400
    assert "required" in empty.text
    plain = {"resourceType": "Parameters", "parameter": [{"name": "meta", "valueString": "x"}]}
    assert (await integrator.post("/fhir/Patient/p/$meta-add", json=plain)).status_code == 400


@pytest.mark.conformance("F1")
@pytest.mark.parametrize(
    "path", ["/fhir/$none", "/fhir/Patient/$none", "/fhir/Patient/p/$none", "/fhir/Observation/$meta-none"]
)
async def test_an_unknown_operation_is_404(integrator: AsyncClient, path: str) -> None:
    for method in ("GET", "POST"):
        answer = await integrator.request(method, path)
        assert answer.status_code == 404
        assert answer.json()["resourceType"] == "OperationOutcome"


@pytest.mark.conformance("A9")
async def test_versions_are_told_to_anybody(stranger: AsyncClient) -> None:
    parameters = (await stranger.get("/fhir/$versions")).json()["parameter"]
    assert parameters == [{"name": name, "valueCode": "4.0"} for name in ("version", "default")]
    plain = await stranger.get("/fhir/$versions", headers={"Accept": "application/json"})
    assert plain.json() == {"versions": ["4.0"], "default": "4.0"}


async def told(client: AsyncClient, path: str) -> dict[str, Any]:
    answer = await client.get(path)
    assert answer.status_code == 200, answer.text
    parameters = answer.json().get("parameter", [])
    meta: dict[str, Any] = parameters[0]["valueMeta"] if parameters else {}
    return meta


@pytest.mark.conformance("F11")
async def test_labels_in_use_of_a_type_and_of_everything(integrator: AsyncClient, sign: Any) -> None:
    assert await told(integrator, "/fhir/Patient/$meta") == {}
    await put(integrator, {"security": [LABEL], "tag": [TAG, {"code": "bare"}], "profile": [PROFILE]})
    goal = {"resourceType": "Goal", "id": "g", "meta": {"tag": [TAG, TEST]}, "lifecycleStatus": "active"}
    goal |= {"description": {"text": "x"}, "subject": {"reference": "Patient/p"}}
    assert (await integrator.put("/fhir/Goal/g", json=goal)).status_code == 201
    bare = {"code": "bare"}
    patients = {"profile": [PROFILE], "security": [LABEL], "tag": [bare, TAG]}
    assert await told(integrator, "/fhir/Patient/$meta") == patients
    assert await told(integrator, "/fhir/Goal/$meta") == {"tag": [TEST, TAG]}
    assert await told(integrator, "/fhir/$meta") == patients | {"tag": [bare, TEST, TAG]}
    token = {"Authorization": f"Bearer {sign('system/Goal.r')}"}
    mine = (await integrator.get("/fhir/$meta", headers=token)).json()
    assert mine["parameter"][0]["valueMeta"] == {"tag": [TEST, TAG]}, "what may not be read is not told of"
    assert (await integrator.get("/fhir/Patient/$meta", headers=token)).status_code == 403
    assert (await integrator.delete("/fhir/Goal/g")).status_code == 204
    assert await told(integrator, "/fhir/Goal/$meta") == {}
    entry = {"request": {"method": "GET", "url": "Patient/$meta"}}
    bundle = {"resourceType": "Bundle", "type": "batch", "entry": [entry]}
    (answer,) = (await integrator.post("/fhir", json=bundle)).json()["entry"]
    assert answer["resource"]["parameter"][0]["valueMeta"] == patients
    refused = await integrator.post("/fhir", json=bundle | {"type": "transaction"})
    assert (refused.status_code, refused.json()["issue"][0]["code"]) == (400, "not-supported")
