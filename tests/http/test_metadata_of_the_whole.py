"""What the capability statement says of the whole service is so, and what it leaves out is not."""

from typing import Any

import pytest
from httpx import AsyncClient

pytestmark = pytest.mark.anyio
EMPTY = {"resourceType": "Bundle"}
CODES = {
    "batch": ("POST", "/fhir", EMPTY | {"type": "batch"}),
    "transaction": ("POST", "/fhir", EMPTY | {"type": "transaction"}),
    "history-system": ("GET", "/fhir/_history", None),
    "search-system": ("GET", "/fhir?_type=Patient&_id=x", None),
}
WANTED = {"viewdefinition-run": {"viewReference": "ViewDefinition/patient"}}
"""What an operation can't be called without."""
COMPARTMENTS = ("Patient", "Encounter", "Practitioner", "RelatedPerson", "Device")


async def _rest(client: AsyncClient) -> dict[str, Any]:
    statement = (await client.get("/fhir/metadata")).raise_for_status().json()
    return statement["rest"][0]


@pytest.mark.conformance("G4", "G6")
@pytest.mark.parametrize("code", CODES)
async def test_an_interaction_is_declared_if_it_works(integrator: AsyncClient, code: str) -> None:
    declared = {one["code"] for one in (await _rest(integrator))["interaction"]}
    method, path, body = CODES[code]
    answer = await integrator.request(method, path, json=body)
    assert (code in declared) == answer.is_success
    assert answer.is_success or answer.status_code in {404, 405}


@pytest.mark.conformance("G4", "G6")
@pytest.mark.parametrize("type_", COMPARTMENTS)
async def test_a_compartment_is_declared_if_it_can_be_searched(integrator: AsyncClient, type_: str) -> None:
    declared = (await _rest(integrator)).get("compartment", [])
    answer = await integrator.get(f"/fhir/{type_}/x/Observation")
    named = f"http://hl7.org/fhir/CompartmentDefinition/{type_.lower()}"
    assert (named in declared) == (answer.status_code == 200)


@pytest.mark.conformance("F1", "G4", "G6")
async def test_operations_of_the_whole_service_are_the_declared_ones(integrator: AsyncClient) -> None:
    operations = {one["name"]: one["definition"] for one in (await _rest(integrator))["operation"]}
    for name, definition in operations.items():
        params, later = WANTED.get(name, {}), {"Prefer": "respond-async"}
        assert (await integrator.get(f"/fhir/${name}", params=params, headers=later)).is_success
        path = f"/fhir/OperationDefinition/{definition.rsplit('/', 1)[-1]}"
        read = (await integrator.get(path)).raise_for_status().json()
        assert (read["code"], read["system"]) == (name, True)
    for name in ("everything", "convert", "graphql", "meta-add"):
        if name not in operations:
            assert (
                await integrator.post(f"/fhir/${name}", json={"resourceType": "Parameters"})
            ).is_client_error


@pytest.mark.conformance("G5")
async def test_security_says_what_a_caller_needs(integrator: AsyncClient, stranger: AsyncClient) -> None:
    security = (await _rest(stranger))["security"]
    assert "Bearer" in security["description"]
    answer = await stranger.get("/fhir/Patient")
    assert answer.headers["WWW-Authenticate"].startswith("Bearer")
    preflight = {"Origin": "https://app.example", "Access-Control-Request-Method": "GET"}
    allowed = await integrator.options("/fhir/Patient", headers=preflight)
    assert security["cors"] == ("Access-Control-Allow-Origin" in allowed.headers)
