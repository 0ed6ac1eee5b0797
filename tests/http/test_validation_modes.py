"""SWALLOW_VALIDATION: what is not valid is refused, or stored with warnings where a site asks for that."""

from collections.abc import AsyncIterator, Callable
from datetime import UTC, datetime
from typing import Any

import pytest
from httpx import ASGITransport, AsyncClient, Response

from service.app import create_app
from service.settings import Settings

pytestmark = pytest.mark.anyio
NOW = datetime(2026, 6, 1, 9, 0, tzinfo=UTC)
TELL = {"Prefer": "return=OperationOutcome"}
FORM = "https://swallow-interop.example.org/fhir/Questionnaire/breath-hold-safety-screen"
INVALID: dict[str, dict[str, Any]] = {
    "a missing element": {"resourceType": "Observation", "status": "final"},
    "an empty text": {"resourceType": "Patient", "name": [{"family": " "}], "birthDate": "2026-01-01"},
    "two values of a choice": {
        "resourceType": "Patient",
        "deceasedBoolean": False,
        "deceasedDateTime": "2026",
    },
    "answers that do not fit their form": {
        "resourceType": "QuestionnaireResponse",
        "status": "completed",
        "questionnaire": FORM,
        "item": [{"linkId": "nothing", "answer": [{"valueString": "x"}]}],
    },
}
UNSTORABLE: dict[str, dict[str, Any]] = {
    "a number for a text": {"resourceType": "Patient", "name": [{"family": 5}]},
    "a text for a list": {"resourceType": "Patient", "name": "x"},
    "a list for one": {"resourceType": "Observation", "status": ["final"], "code": {"text": "x"}},
    "a text for parts": {"resourceType": "Observation", "status": "final", "code": "x"},
    "a text for a number": {"resourceType": "Observation", "valueQuantity": {"value": "5"}},
    "a truth for a number": {"resourceType": "Observation", "valueQuantity": {"value": True}},
    "an unknown element": {"resourceType": "Patient", "colour": "red"},
    "an empty list": {"resourceType": "Patient", "name": []},
    "nothing for parts": {"resourceType": "Patient", "name": [None]},
    "an unknown type inside": {"resourceType": "Patient", "contained": [{"resourceType": "Nothing"}]},
    "parts beside a text that are none": {"resourceType": "Patient", "_birthDate": 5},
    "parts beside parts": {"resourceType": "Patient", "_name": [{"id": "x"}]},
    "a day that does not exist": {"resourceType": "Patient", "birthDate": "2026-02-30"},
}


@pytest.fixture
async def lenient(settings: Settings, sign: Callable[..., str]) -> AsyncIterator[AsyncClient]:
    """A caller of a service that only warns."""
    app = create_app(settings.model_copy(update={"validation": "warn"}), clock=lambda: NOW)
    async with app.router.lifespan_context(app):
        headers = {"Authorization": f"Bearer {sign('system/*.cruds')}"}
        async with AsyncClient(
            transport=ASGITransport(app), base_url="http://test", headers=headers
        ) as client:
            yield client


def severities(answer: Response) -> set[str]:
    return {one["severity"] for one in answer.json()["issue"]}


@pytest.mark.parametrize("name", INVALID)
async def test_what_is_invalid_is_refused_by_default(integrator: AsyncClient, name: str) -> None:
    tree = INVALID[name] | {"id": "x"}
    answer = await integrator.put(f"/fhir/{tree['resourceType']}/x", json=tree, headers=TELL)
    assert answer.status_code in {400, 422}
    assert "error" in severities(answer)


@pytest.mark.parametrize("name", INVALID)
async def test_it_is_stored_as_sent_and_told_where_the_site_only_warns(
    lenient: AsyncClient, name: str
) -> None:
    tree = INVALID[name] | {"id": "x"}
    where = f"/fhir/{tree['resourceType']}/x"
    answer = await lenient.put(where, json=tree, headers=TELL)
    assert answer.status_code == 201
    assert severities(answer) == {"information", "warning"}
    assert all("expression" in one for one in answer.json()["issue"] if one["severity"] == "warning")
    stored = (await lenient.get(where)).json()
    assert {name: value for name, value in stored.items() if name != "meta"} == tree
    entry = {"request": {"method": "PUT", "url": where.removeprefix("/fhir/")}, "resource": tree}
    for type_ in ("batch", "transaction"):
        bundle = {"resourceType": "Bundle", "type": type_, "entry": [entry]}
        (told,) = (await lenient.post("/fhir", json=bundle, headers=TELL)).json()["entry"]
        assert told["response"]["status"] == "200 OK"
    assert (await lenient.get(f"/fhir/{tree['resourceType']}?_id=x")).json()["total"] == 1


@pytest.mark.parametrize("name", UNSTORABLE)
async def test_what_could_not_be_searched_is_refused_all_the_same(lenient: AsyncClient, name: str) -> None:
    tree = UNSTORABLE[name]
    answer = await lenient.post(f"/fhir/{tree['resourceType']}", json=tree, headers=TELL)
    assert answer.status_code == 400, answer.text
    assert "error" in severities(answer)
    assert (await lenient.get(f"/fhir/{tree['resourceType']}")).json()["total"] == 0


async def test_a_patch_may_leave_what_is_invalid(lenient: AsyncClient, integrator: AsyncClient) -> None:
    goal = {"resourceType": "Observation", "id": "x", "status": "final", "code": {"text": "x"}}
    patch = [{"op": "remove", "path": "/status"}]
    headers = TELL | {"Content-Type": "application/json-patch+json"}
    for client, status in ((integrator, 422), (lenient, 200)):
        await client.put("/fhir/Observation/x", json=goal)
        answer = await client.patch("/fhir/Observation/x", json=patch, headers=headers)
        assert answer.status_code == status
    assert "warning" in severities(answer)


async def test_validating_tells_errors_in_both_modes(lenient: AsyncClient) -> None:
    tree = INVALID["a missing element"]
    answer = await lenient.post("/fhir/Observation/$validate?mode=create", json=tree)
    assert answer.status_code == 200
    assert "error" in severities(answer)
