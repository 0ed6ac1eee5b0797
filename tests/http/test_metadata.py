"""The CapabilityStatement, and that it is true."""

import json
from collections.abc import Callable
from typing import Any

import pytest
from httpx import AsyncClient

from service.fhir import xml
from service.fhir.search_parameters import parameters, stored_types
from service.fhir.validation import errors
from service.operations.arguments import definitions
from service.operations.own_resources import own_resources

OWN = own_resources("all")
pytestmark = pytest.mark.anyio

SAMPLES = {
    "token": "a-code",
    "date": "ge2026-01-01",
    "string": "text",
    "uri": "http://x.example/y",
    "number": "ge5",
    "quantity": "5.4|http://unitsofmeasure.org|mg",
    "id": "an-id",
    "updated": "ge2026-01-01",
    "reference": "urn:uuid:5f1c6e1c-8b0e-4f3c-9d3c-000000000001",
}


def sample(type_: str, name: str) -> str:
    """A value the parameter can have."""
    parameter = parameters(type_)[name]
    if parameter.kind == "composite":
        return "$".join(sample(type_, part) for part in parameter.parts)
    return f"{parameter.targets[0]}/1" if parameter.targets else SAMPLES[parameter.kind]


async def statement(client: AsyncClient) -> dict[str, Any]:
    answer = await client.get("/fhir/metadata")
    assert answer.status_code == 200
    body: dict[str, Any] = answer.json()
    return body


@pytest.mark.conformance("G2")
async def test_it_names_the_guides_that_are_followed(stranger: AsyncClient) -> None:
    told = (await statement(stranger))["instantiates"]
    assert told == [
        "http://hl7.org/fhir/uv/bulkdata/CapabilityStatement/bulk-data",
        "http://hl7.org/fhir/uv/subscriptions-backport/CapabilityStatement/backport-subscription-server-r4",
    ]


@pytest.mark.conformance("A1", "G1")
async def test_it_is_open_and_valid(stranger: AsyncClient) -> None:
    body = await statement(stranger)
    assert errors(body) == ()
    assert body["fhirVersion"] == "4.0.1"
    assert body["implementation"]["url"] == "http://test/fhir"


async def test_every_stored_type_is_there_once(stranger: AsyncClient) -> None:
    (rest,) = (await statement(stranger))["rest"]
    types = [resource["type"] for resource in rest["resource"]]
    assert types == list(stored_types())


@pytest.mark.conformance("D31", "G3", "G6")
async def test_every_declared_search_parameter_works(integrator: AsyncClient) -> None:
    (rest,) = (await statement(integrator))["rest"]
    for resource in rest["resource"]:
        for parameter in resource.get("searchParam", []):
            value = sample(resource["type"], parameter["name"])
            query = {parameter["name"]: value, "_count": "0", "_total": "accurate"}
            answer = await integrator.get(f"/fhir/{resource['type']}", params=query)
            assert answer.status_code == 200, (resource["type"], parameter, answer.text)
            found = answer.json()["total"]
            assert found == 0 or resource["type"] in {*OWN.types, "AuditEvent"}, (resource["type"], parameter)


@pytest.mark.conformance("G6")
async def test_undeclared_parameters_are_refused(integrator: AsyncClient) -> None:
    for name in (
        "_text",
        "_content",
        "_filter",
        "_has:Goal:patient:status",
        "subject:Patient.nothing",
        "code.text",
        "_include",
    ):
        assert (await integrator.get("/fhir/Observation", params={name: "x"})).status_code == 400, name


@pytest.mark.conformance("G3", "G6")
async def test_every_declared_interaction_works(integrator: AsyncClient) -> None:
    (rest,) = (await statement(integrator))["rest"]
    patient = next(resource for resource in rest["resource"] if resource["type"] == "Patient")
    codes = {interaction["code"] for interaction in patient["interaction"]}
    body = {"resourceType": "Patient", "id": "p1"}
    update = await integrator.put("/fhir/Patient/p1", json=body)
    tried = {
        "create": await integrator.post("/fhir/Patient", json={"resourceType": "Patient"}),
        "update": update,
        "read": await integrator.get("/fhir/Patient/p1"),
        "vread": await integrator.get("/fhir/Patient/p1/_history/1"),
        "history-instance": await integrator.get("/fhir/Patient/p1/_history"),
        "history-type": await integrator.get("/fhir/Patient/_history"),
        "search-type": await integrator.get("/fhir/Patient"),
        "patch": await integrator.patch(
            "/fhir/Patient/p1", content=b"[]", headers={"Content-Type": "application/json-patch+json"}
        ),
        "delete": await integrator.delete("/fhir/Patient/p1"),
    }
    assert codes == set(tried)
    assert all(answer.is_success for answer in tried.values())


@pytest.mark.conformance("G6")
async def test_every_declared_format_is_answered(integrator: AsyncClient) -> None:
    body = await statement(integrator)
    for name in body["format"]:
        answer = await integrator.get("/fhir/metadata", params={"_format": name})
        assert answer.status_code == 200
        read = xml.parse if "xml" in name else json.loads
        assert read(answer.content)["resourceType"] == "CapabilityStatement"
        assert ("xml" in name) == ("xml" in answer.headers["content-type"])


@pytest.mark.conformance("F1", "G3")
async def test_every_declared_operation_has_its_definition(clinician: AsyncClient) -> None:
    (rest,) = (await statement(clinician))["rest"]
    declared = [operation for resource in rest["resource"] for operation in resource.get("operation", [])]
    declared += rest["operation"]
    assert {operation["definition"].rpartition("/")[2] for operation in declared} <= set(definitions())
    for operation in {operation["definition"]: operation for operation in declared}.values():
        id_ = operation["definition"].rpartition("/")[2]
        definition = await clinician.get(f"/fhir/OperationDefinition/{id_}")
        assert definition.status_code == 200
        assert definition.json()["url"] == operation["definition"]
        assert definition.json()["code"] == operation["name"]
        assert errors(definition.json()) == ()


async def test_an_unknown_operation_definition_is_404(client_of: Callable[[str], AsyncClient]) -> None:
    for name in ("none", "..%2Fterminology%2Fucum", "%00"):
        assert (await client_of("clinician").get(f"/fhir/OperationDefinition/{name}")).status_code == 404
