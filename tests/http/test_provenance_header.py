"""``X-Provenance``: the origin of a write, stored with it or not at all (FHIR R4 provenance.html)."""

import json

import pytest
from httpx import ASGITransport, AsyncClient

pytestmark = [
    pytest.mark.anyio,
    pytest.mark.conformance("L4"),
    pytest.mark.published("FHIR R4 provenance.html, HTTP header X-Provenance"),
]
PERSON = {"resourceType": "Patient", "id": "p1", "name": [{"family": "HTEST"}]}
ORIGIN = {
    "resourceType": "Provenance",
    "recorded": "2026-06-01T09:00:00Z",
    "agent": [{"who": {"display": "Jönköping HTEST"}}],
}


def header(tree):
    return {"X-Provenance": json.dumps(tree, ensure_ascii=False).encode()}


async def stated(client):
    bundle = (await client.get("/fhir/Provenance?_count=50")).json()
    return [entry["resource"] for entry in bundle.get("entry", ())]


async def test_each_write_has_its_origin_with_its_version(integrator):
    headers = header(ORIGIN)
    await integrator.put("/fhir/Patient/p1", json=PERSON, headers=headers)
    await integrator.put("/fhir/Patient/p1", json=PERSON | {"active": True}, headers=headers)
    patch = [{"op": "replace", "path": "/active", "value": False}]
    kind = {"Content-Type": "application/json-patch+json"}
    await integrator.patch("/fhir/Patient/p1", content=json.dumps(patch), headers=headers | kind)
    await integrator.delete("/fhir/Patient/p1", headers=headers)
    made = await integrator.post("/fhir/Patient", json=PERSON, headers=headers)
    found = await stated(integrator)
    targets = [one["target"] for one in found]
    names = [f"Patient/p1/_history/{number}" for number in (1, 2, 3, 4)]
    names.append(f"Patient/{made.json()['id']}/_history/1")
    assert targets == [[{"reference": name}] for name in names]
    assert all(one["agent"] == ORIGIN["agent"] for one in found)


async def test_what_changes_nothing_has_none(integrator):
    await integrator.put("/fhir/Patient/p1", json=PERSON)
    answer = await integrator.put("/fhir/Patient/p1", json=PERSON, headers=header(ORIGIN))
    assert answer.status_code == 200
    assert await stated(integrator) == []


@pytest.mark.parametrize(
    ("tree", "sentence"),
    [
        ({"resourceType": "Patient"}, "must hold a Provenance"),
        (ORIGIN | {"target": [{"reference": "Patient/p2"}]}, "must name no target"),
        (ORIGIN | {"recorded": "yesterday"}, "X-Provenance: "),
        ({"resourceType": "Provenance", "recorded": ORIGIN["recorded"]}, "X-Provenance: "),
    ],
)
async def test_what_is_no_origin_keeps_the_write_out(integrator, tree, sentence):
    answer = await integrator.put("/fhir/Patient/p1", json=PERSON, headers=header(tree))
    assert answer.status_code in {400, 422}
    assert sentence in answer.text
    assert (await integrator.get("/fhir/Patient/p1")).status_code == 404


async def test_a_write_that_is_refused_leaves_no_origin(integrator):
    await integrator.put("/fhir/Patient/p1", json=PERSON)
    headers = header(ORIGIN) | {"If-Match": 'W/"7"'}
    answer = await integrator.put("/fhir/Patient/p1", json=PERSON | {"active": True}, headers=headers)
    assert answer.status_code == 412
    assert await stated(integrator) == []


async def test_text_that_is_no_json_is_refused(integrator):
    answer = await integrator.put("/fhir/Patient/p1", json=PERSON, headers={"X-Provenance": "none"})
    assert answer.status_code == 400


async def test_who_may_not_write_provenance_may_not_state_it(app, sign):
    headers = {"Authorization": f"Bearer {sign('system/Patient.cruds')}"} | header(ORIGIN)
    async with AsyncClient(transport=ASGITransport(app), base_url="http://test", headers=headers) as client:
        assert (await client.put("/fhir/Patient/p1", json=PERSON)).status_code == 403
        assert (await client.get("/fhir/Patient/p1")).status_code == 404
