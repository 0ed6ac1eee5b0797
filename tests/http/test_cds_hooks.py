"""CDS Hooks 2.0: a record that opens a patient is shown a card; who calls has to prove it for each call."""

import json
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Any
from uuid import uuid4

import pytest
from fastapi import FastAPI
from httpx import ASGITransport, AsyncClient, Response
from joserfc import jwt
from joserfc.jwk import ECKey
from running_apps import NOW, running
from sample_visits import visit_tree

from service.app import create_app
from service.fhir.json import dump
from service.security.cds_clients import read_cds_clients
from service.settings import Settings

pytestmark = [pytest.mark.anyio, pytest.mark.published("CDS Hooks 2.0: shapes, read in the guide's source")]

KEY = ECKey.generate_key("P-384", auto_kid=True)
OTHER = ECKey.generate_key("P-384", {"kid": KEY.kid})
ISSUER = "https://record.example.org"
SERVICE = "http://test/cds-services/swallowing-goals"
SYSTEM = "https://clinic.example.org/patients"
PATIENT = {"resourceType": "Patient", "id": "7", "identifier": [{"system": SYSTEM, "value": "demo-01"}]}


@pytest.fixture
def clients(tmp_path: Path) -> Path:
    """The site's list, with the keys of one client beside it."""
    (tmp_path / "jwks.json").write_text(json.dumps({"keys": [KEY.as_dict(private=False)]}))
    listed = [{"issuer": ISSUER, "jwks": "jwks.json", "patient_systems": [SYSTEM]}]
    (tmp_path / "cds-clients.json").write_text(json.dumps(listed))
    return tmp_path / "cds-clients.json"


@pytest.fixture
async def serving(settings: Settings, clients: Path) -> AsyncIterator[FastAPI]:
    listing = settings.model_copy(update={"cds_clients": str(clients)})
    async with running(create_app(listing, clock=lambda: NOW)) as started:
        yield started


@pytest.fixture
async def record(serving: FastAPI) -> AsyncIterator[AsyncClient]:
    async with AsyncClient(transport=ASGITransport(serving), base_url="http://test") as client:
        yield client


@pytest.fixture
async def integrator(serving: FastAPI, sign: Callable[..., str]) -> AsyncIterator[AsyncClient]:
    headers = {"Authorization": f"Bearer {sign('system/*.cruds intake audit-read')}"}
    transport = ASGITransport(serving)
    async with AsyncClient(transport=transport, base_url="http://test", headers=headers) as client:
        yield client


def token(aud: Any = SERVICE, key: ECKey = KEY, **more: Any) -> str:
    now = int(NOW.timestamp())
    claims = {"iss": ISSUER, "aud": aud, "iat": now, "exp": now + 200, "jti": str(uuid4())} | more
    return jwt.encode({"alg": "ES384", "kid": key.kid, "typ": "JWT"}, claims, key, ["ES384"])


def asked(**more: Any) -> dict[str, Any]:
    return {
        "hook": "patient-view",
        "hookInstance": str(uuid4()),
        "context": {"userId": "Practitioner/1", "patientId": "7"},
        "prefetch": {"patient": PATIENT},
    } | more


async def call(record: AsyncClient, body: dict[str, Any], bearer: str | None = None) -> Response:
    headers = {"Authorization": f"Bearer {bearer or token()}"}
    return await record.post("/cds-services/swallowing-goals", json=body, headers=headers)


async def filed(integrator: AsyncClient) -> None:
    for name in ("visit-1", "visit-2"):
        tree = dump(visit_tree(f"demo-01-{name}"))
        headers = {"Content-Type": "application/json"}
        assert (await integrator.post("/intake/visits", content=tree, headers=headers)).is_success


async def test_the_service_is_discovered(record: AsyncClient) -> None:
    (service,) = (await record.get("/cds-services")).json()["services"]
    assert service["hook"] == "patient-view"
    assert {"id", "description", "title", "prefetch", "usageRequirements"} <= service.keys()
    assert service["prefetch"] == {"patient": "Patient/{{context.patientId}}"}


async def test_it_is_off_unless_the_site_lists_clients(stranger: AsyncClient, settings: Settings) -> None:
    assert not settings.cds_clients
    assert (await stranger.get("/cds-services")).status_code == 404
    assert (await call(stranger, asked())).status_code == 404


async def test_a_card_tells_what_the_operation_tells(record: AsyncClient, integrator: AsyncClient) -> None:
    await filed(integrator)
    answer = await call(record, asked())
    assert (answer.status_code, answer.headers["content-type"]) == (200, "application/json")
    (card,) = answer.json()["cards"]
    assert card["summary"]
    assert len(card["summary"]) < 140
    assert card["indicator"] in {"info", "warning", "critical"}
    assert card["source"]["label"]
    (link,) = card["links"]
    assert (link["type"], link["url"]) == ("smart", "http://test/app/launch")
    (person,) = (await integrator.get("/fhir/Patient")).json()["entry"]
    told = (await integrator.get(f"/fhir/Patient/{person['resource']['id']}/$goal-attainment")).json()
    cues = [one for one in told["parameter"] if one["name"] == "cue"]
    goals = [one for one in told["parameter"] if one["name"] == "goal"]
    lines = [line for line in card["detail"].splitlines() if line.startswith("- ")]
    assert len(lines) == len(goals) + len(cues)
    assert ("attention cue" in card["summary"]) is bool(cues)
    assert "Ottoline" not in answer.text


async def test_nobody_is_shown_who_is_not_meant_by_an_identifier_of_the_site(
    record: AsyncClient, integrator: AsyncClient
) -> None:
    await filed(integrator)
    elsewhere = PATIENT | {"identifier": [{"system": "https://elsewhere.example.org", "value": "demo-01"}]}
    for prefetched in (elsewhere, PATIENT | {"identifier": []}):
        assert (await call(record, asked(prefetch={"patient": prefetched}))).json() == {"cards": []}
    for prefetch in ({}, {"patient": PATIENT | {"id": "8"}}, {"patient": None}):
        answer = await call(record, asked(prefetch=prefetch))
        assert (answer.status_code, answer.json()["resourceType"]) == (412, "OperationOutcome")
    (person,) = (await integrator.get("/fhir/Patient")).json()["entry"]
    here = asked(fhirServer="http://test/fhir", prefetch={})
    here["context"]["patientId"] = person["resource"]["id"]
    assert len((await call(record, here)).json()["cards"]) == 1


async def test_who_calls_has_to_prove_it(record: AsyncClient) -> None:
    now = int(NOW.timestamp())
    good = token([SERVICE])
    assert (await call(record, asked(), good)).status_code == 200
    for refused in (
        good,  # used before
        token(key=OTHER),
        token("http://test/cds-services"),
        token(iss="https://somebody.example.org"),
        token(exp=now - 60),
        token(exp=now + 3_600),
        token(jti=None),
        "no token",
    ):
        assert (await call(record, asked(), refused)).status_code == 401
    assert (await record.post("/cds-services/swallowing-goals", json=asked())).status_code == 401


async def test_all_that_is_wrong_with_a_call_is_told(record: AsyncClient) -> None:
    answer = await call(record, {"hook": "order-sign", "context": {"userId": 1}})
    assert answer.status_code == 400
    places = [one["expression"][0] for one in answer.json()["issue"]]
    assert places == ["hookInstance", "hook", "context.userId", "context.patientId"]


async def test_feedback_is_counted(record: AsyncClient, serving: FastAPI) -> None:
    path = "/cds-services/swallowing-goals/feedback"
    told = {"card": str(uuid4()), "outcome": "overridden", "outcomeTimestamp": "2026-06-01T09:00:00Z"}

    async def send(*feedback: Any) -> Response:
        headers = {"Authorization": f"Bearer {token(f'http://test{path}')}"}
        return await record.post(path, json={"feedback": list(feedback)}, headers=headers)

    assert (await send(told, told)).status_code == 200
    assert serving.services.cds_feedback == {"overridden": 2}
    answer = await send({"outcome": "liked"}, 7)
    assert answer.status_code == 400
    assert len(answer.json()["issue"]) == 4
    assert (await send()).status_code == 400


async def test_what_is_shown_is_recorded(record: AsyncClient, integrator: AsyncClient) -> None:
    await filed(integrator)
    await call(record, asked())
    (person,) = (await integrator.get("/fhir/Patient")).json()["entry"]
    found = await integrator.get(f"/fhir/AuditEvent?patient={person['resource']['id']}&_count=100")
    events = [one["resource"] for one in found.json()["entry"]]
    assert ISSUER in {one["agent"][0]["who"].get("identifier", {}).get("value") for one in events}


def test_a_list_that_can_not_be_used_says_why(tmp_path: Path) -> None:
    listed = [{"issuer": "", "jwks": "http://elsewhere.example.org/jwks", "algorithms": ["HS256"]}]
    (tmp_path / "list.json").write_text(json.dumps([*listed, {"issuer": "", "jwks": "none.json"}]))
    with pytest.raises(Exception, match="must begin with https") as refused:
        read_cds_clients(tmp_path / "list.json")
    assert len(refused.value.issues) == 6  # type: ignore[attr-defined]
