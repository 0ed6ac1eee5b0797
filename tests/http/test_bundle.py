"""Batch and transaction over HTTP (FHIR R4 http.html, transaction)."""

from typing import Any

import pytest
from httpx import AsyncClient, Response

pytestmark = pytest.mark.anyio


def entry(method: str, url: str, resource: dict[str, Any] | None = None) -> dict[str, Any]:
    item: dict[str, Any] = {"request": {"method": method, "url": url}}
    return item | ({"resource": resource} if resource else {})


def patient(id_: str = "p1") -> dict[str, Any]:
    return {"resourceType": "Patient", "id": id_, "name": [{"family": "Probe"}]}


async def send(client: AsyncClient, type_: str, *entries: dict[str, Any], **headers: str) -> Response:
    bundle = {"resourceType": "Bundle", "type": type_, "entry": list(entries)}
    return await client.post(
        "/fhir", json=bundle, headers={"Content-Type": "application/fhir+json"} | headers
    )


@pytest.mark.conformance("C2")
async def test_a_transaction_that_fails_leaves_nothing(integrator: AsyncClient) -> None:
    answer = await send(
        integrator,
        "transaction",
        entry("PUT", "Patient/p1", patient()),
        entry("POST", "Observation", {"resourceType": "Observation", "status": "final"}),
    )
    assert 400 <= answer.status_code < 500
    assert any(
        "Bundle.entry[1]" in place for issue in answer.json()["issue"] for place in issue["expression"]
    )
    assert (await integrator.get("/fhir/Patient/p1")).status_code == 404


@pytest.mark.conformance("C11")
async def test_a_batch_answers_each_entry_for_itself(integrator: AsyncClient) -> None:
    answer = await send(
        integrator, "batch", entry("PUT", "Patient/p1", patient()), entry("GET", "Patient/none")
    )
    assert answer.status_code == 200
    assert answer.json()["type"] == "batch-response"
    statuses = [item["response"]["status"][:3] for item in answer.json()["entry"]]
    assert statuses == ["201", "404"]
    assert answer.json()["entry"][1]["response"]["outcome"]["resourceType"] == "OperationOutcome"


@pytest.mark.conformance("C14")
async def test_each_entry_needs_its_own_scope(clinician: AsyncClient, integrator: AsyncClient) -> None:
    await send(integrator, "transaction", entry("PUT", "Patient/p1", patient()))
    refused = await send(clinician, "transaction", entry("PUT", "Patient/p2", patient("p2")))
    assert refused.status_code == 403
    mixed = await send(
        clinician, "batch", entry("GET", "Patient/p1"), entry("PUT", "Patient/p2", patient("p2"))
    )
    assert [item["response"]["status"][:3] for item in mixed.json()["entry"]] == ["200", "403"]
    assert (await integrator.get("/fhir/Patient/p2")).status_code == 404


async def test_the_base_may_end_in_a_slash(integrator: AsyncClient) -> None:
    bundle = {"resourceType": "Bundle", "type": "transaction"}
    for path in ("/fhir", "/fhir/"):
        answer = await integrator.post(path, json=bundle)
        assert answer.json()["type"] == "transaction-response"


@pytest.mark.conformance("C15")
async def test_prefer_representation_is_honoured_inside(integrator: AsyncClient) -> None:
    plain = await send(integrator, "transaction", entry("PUT", "Patient/p1", patient()))
    assert "resource" not in plain.json()["entry"][0]
    full = await send(
        integrator, "transaction", entry("PUT", "Patient/p1", patient()), Prefer="return=representation"
    )
    assert full.json()["entry"][0]["resource"]["id"] == "p1"


@pytest.mark.conformance("C12")
@pytest.mark.parametrize("type_", ["collection", "searchset", "document", "", "nonsense"])
async def test_other_bundles_are_refused(integrator: AsyncClient, type_: str) -> None:
    assert (await send(integrator, type_)).status_code in {400, 422}


@pytest.mark.conformance("C12")
async def test_what_is_no_bundle_is_refused(integrator: AsyncClient) -> None:
    assert (await integrator.post("/fhir", json=patient())).status_code == 400
