"""A service that knows a guide: what it says in $validate, and what it refuses."""

import json
from pathlib import Path
from typing import Any

import pytest
from httpx import AsyncClient
from written_profiles import at, profile

from service.app import create_app
from service.errors import InvalidInput
from service.settings import Settings

pytestmark = pytest.mark.anyio
BITE = profile("Bite", "Observation", at("Observation.note", min=1))


@pytest.fixture
def settings(settings: Settings, tmp_path: Path) -> Settings:
    """The settings of a service that knows a guide with one profile."""
    folder = tmp_path / "guide"
    folder.mkdir()
    (folder / "StructureDefinition-bite.json").write_text(json.dumps(BITE))
    return settings.model_copy(update={"guides": str(folder)})


async def test_claims_are_judged_by_the_guides_of_the_settings(integrator: AsyncClient) -> None:
    bite: dict[str, Any] = {"resourceType": "Observation", "status": "final", "code": {"text": "bite"}}
    bite["meta"] = {"profile": [BITE["url"]]}
    told = await integrator.post("/fhir/Observation/$validate", json=bite)
    refused = await integrator.post("/fhir/Observation", json=bite)
    created = await integrator.post("/fhir/Observation", json=bite | {"note": [{"text": "hard"}]})
    required = [one for one in told.json()["issue"] if one["severity"] == "error"]
    assert [one["expression"] for one in required] == [["Observation"]]
    assert (refused.status_code, created.status_code) == (400, 201)


async def test_a_profile_that_is_not_known_is_a_warning_on_write(integrator: AsyncClient) -> None:
    patient = {"resourceType": "Patient", "meta": {"profile": ["http://example.org/elsewhere"]}}
    headers = {"Prefer": "return=OperationOutcome"}
    answer = await integrator.post("/fhir/Patient", json=patient, headers=headers)
    assert answer.status_code == 201
    assert ("warning", "not-found") in [(one["severity"], one["code"]) for one in answer.json()["issue"]]


def test_a_guide_that_cannot_be_read_stops_the_start(settings: Settings) -> None:
    with pytest.raises(InvalidInput, match="no guide at"):
        create_app(settings.model_copy(update={"guides": "/nowhere/guide.tgz"}))


async def test_the_capability_statement_names_our_profiles(integrator: AsyncClient) -> None:
    told = (await integrator.get("/fhir/metadata")).json()["rest"][0]["resource"]
    named = {one["type"]: one.get("supportedProfile", []) for one in told}
    assert any(canonical.endswith("/StructureDefinition/bolus") for canonical in named["Observation"])
    assert "supportedProfile" not in next(one for one in told if one["type"] == "Location")
