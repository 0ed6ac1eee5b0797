"""The de-identified export over HTTP."""

import asyncio
from typing import Any

import pytest
from fastapi import FastAPI
from httpx import AsyncClient, Response

from service.fhir.json import parse
from service.fhir.validation import errors
from service.shipped import shipped

pytestmark = pytest.mark.anyio

EXPORT = "/research/export?variant=safe-harbor"


@pytest.fixture
async def stored(integrator: AsyncClient) -> None:
    for name in ("demo-01-evaluation-1", "demo-01-visit-1"):
        body = shipped("examples", "visits", f"{name}.yaml").read_bytes()
        headers = {"Content-Type": "application/yaml"}
        assert (await integrator.post("/intake/visits", content=body, headers=headers)).status_code == 201


def lines(answer: Response) -> list[dict[str, Any]]:
    assert answer.status_code == 200, answer.text
    return [parse(line) for line in answer.content.splitlines()]


@pytest.mark.usefixtures("stored")
async def test_a_researcher_gets_valid_resources_without_names(researcher: AsyncClient) -> None:
    answer = await researcher.get(EXPORT, headers={"Accept": "application/fhir+ndjson"})
    assert answer.headers["content-type"] == "application/fhir+ndjson"
    resources = lines(answer)
    types = [resource["resourceType"] for resource in resources]
    assert (types[0], types[-1]) == ("Provenance", "Parameters")
    assert {"Patient", "Observation", "Goal"} <= set(types)
    for resource in resources:
        assert errors(resource) == ()
    for planted in ("Sampleby", "Ottoline", "Invented Lane", "02139", "555-0101", "1958-06-02", "demo-01"):
        assert planted not in answer.text


@pytest.mark.usefixtures("stored")
async def test_the_same_person_keeps_their_random_ids(researcher: AsyncClient) -> None:
    first, second = lines(await researcher.get(EXPORT)), lines(await researcher.get(EXPORT))
    patients = [
        [resource["id"] for resource in release if resource["resourceType"] == "Patient"]
        for release in (first, second)
    ]
    assert patients[0] == patients[1] != []


@pytest.mark.usefixtures("stored")
async def test_other_policies_under_an_approval_in_projects_of_their_own(researcher: AsyncClient) -> None:
    answer = await researcher.get("/research/export?variant=limited-data-set&approval=DUA%207&project=one")
    [patient] = [one for one in lines(answer) if one["resourceType"] == "Patient"]
    assert patient["birthDate"] == "1958-06-02"
    assert "Sampleby" not in answer.text
    assert lines(answer)[-1]["parameter"][4] == {"name": "approval", "valueString": "DUA 7"}
    for query, why in (
        ("variant=limited-data-set", "name it as the approval"),
        ("variant=safe-harbor&project=one", "are by the policy limited-data-set"),
        ("variant=safe-harbor&project=..%2Fx", "small letters"),
        ("variant=limited-data-set&approval=DUA&open=true", "nothing is released to everybody"),
    ):
        refused = await researcher.get(f"/research/export?{query}")
        assert refused.status_code == 400
        assert why in refused.json()["issue"][0]["details"]["text"]


@pytest.mark.parametrize("query", ["", "?variant=", "?variant=everything", "?variant=..%2F..%2Fsecret"])
async def test_an_unknown_variant_is_400(researcher: AsyncClient, query: str) -> None:
    answer = await researcher.get(f"/research/export{query}")
    assert answer.status_code == 400
    assert answer.json()["resourceType"] == "OperationOutcome"


async def test_one_export_at_a_time(app: FastAPI, researcher: AsyncClient) -> None:
    async with app.services.exporting:
        busy = await researcher.get(EXPORT)
    assert busy.status_code == 503
    assert busy.headers["retry-after"] == "1"
    together = await asyncio.gather(*(researcher.get(EXPORT) for _ in range(3)))
    assert {answer.status_code for answer in together} <= {200, 503}
    assert (await researcher.get(EXPORT)).status_code == 200


async def test_head_answers_as_get_without_a_body(researcher: AsyncClient, clinician: AsyncClient) -> None:
    for client, address in (
        (researcher, "/research/export?variant=safe-harbor"),
        (clinician, "/intake/visit-record.schema.json"),
    ):
        whole = await client.get(address)
        head = await client.head(address)
        assert (head.status_code, head.content) == (200, b"")
        assert head.headers["content-type"] == whole.headers["content-type"]
        assert head.headers.get("content-length") == whole.headers.get("content-length")
    assert (await clinician.head("/research/export?variant=safe-harbor")).status_code == 403
