"""Resources that travel with the program: read like stored ones, and written by nobody."""

import pytest
from httpx import AsyncClient, Response

pytestmark = pytest.mark.anyio

OWN = "OperationDefinition/goal-attainment"
BODY = {
    "resourceType": "OperationDefinition",
    "id": "goal-attainment",
    "name": "Other",
    "status": "draft",
    "kind": "operation",
    "code": "other",
    "system": False,
    "type": False,
    "instance": True,
}


def refused(answer: Response) -> None:
    assert answer.status_code == 409, answer.text
    assert "service's own" in answer.json()["issue"][0]["details"]["text"]


async def test_nobody_writes_one(integrator: AsyncClient) -> None:
    before = (await integrator.get(f"/fhir/{OWN}")).content
    patch = [{"op": "replace", "path": "/status", "value": "retired"}]
    kind = {"Content-Type": "application/json-patch+json"}
    refused(await integrator.put(f"/fhir/{OWN}", json=BODY))
    assert (await integrator.put("/fhir/OperationDefinition?name=Other", json=BODY)).status_code == 409
    refused(await integrator.patch(f"/fhir/{OWN}", json=patch, headers=kind))
    refused(await integrator.delete(f"/fhir/{OWN}"))
    assert (await integrator.get(f"/fhir/{OWN}")).content == before


@pytest.mark.parametrize("method", ["PUT", "DELETE"])
async def test_nor_by_a_bundle(method: str, integrator: AsyncClient) -> None:
    entry = {"request": {"method": method, "url": OWN}} | ({"resource": BODY} if method == "PUT" else {})
    bundle = {"resourceType": "Bundle", "type": "transaction", "entry": [entry]}
    refused(await integrator.post("/fhir", json=bundle))
    bundle["type"] = "batch"
    (answer,) = (await integrator.post("/fhir", json=bundle)).json()["entry"]
    assert answer["response"]["status"].startswith("409")


async def test_other_ids_are_free(integrator: AsyncClient) -> None:
    other = BODY | {"id": "other"}
    assert (await integrator.put("/fhir/OperationDefinition/other", json=other)).status_code == 201
    assert (await integrator.delete("/fhir/OperationDefinition/other")).status_code == 204
