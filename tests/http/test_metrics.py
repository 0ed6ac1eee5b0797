"""What the service counts of itself: read as a collector does, and nothing in it is about anybody."""

import logging
from collections.abc import Callable

import pytest
from fastapi import FastAPI
from httpx import ASGITransport, AsyncClient, Response
from prometheus_client.parser import text_string_to_metric_families
from running_apps import running

from service.app import create_app
from service.errors import StoreUnavailable
from service.jobs.destination import Destination
from service.jobs.runs import Runs
from service.rest.dispatch import OPEN
from service.rest.routes import API_ROUTES, FHIR_ROUTES
from service.settings import Settings
from service.store.feeds import Noted, note

pytestmark = pytest.mark.anyio

TOKEN = "0123456789abcdef" * 2
SECRET = "htest-4711-secret"


async def _numbers(operator: AsyncClient) -> dict[tuple[str, frozenset[tuple[str, str]]], float]:
    """Every sample by its name and labels, as the library that collectors share reads it."""
    answer = await operator.get("/metrics")
    assert answer.status_code == 200, answer.text
    assert answer.headers["content-type"].startswith("text/plain")
    return {
        (sample.name, frozenset(sample.labels.items())): sample.value
        for family in text_string_to_metric_families(answer.text)
        for sample in family.samples
    }


@pytest.fixture
def operator(client_of: Callable[[str], AsyncClient], sign: Callable[..., str]) -> AsyncClient:
    client = client_of("stranger")
    client.headers["Authorization"] = f"Bearer {sign('operate')}"
    return client


def _requests(route: str, method: str, status: int) -> tuple[str, frozenset[tuple[str, str]]]:
    labels = {"route": route, "method": method, "status": str(status)}
    return "swallow_http_requests_total", frozenset(labels.items())


async def test_requests_and_writes_are_counted(integrator: AsyncClient, operator: AsyncClient) -> None:
    before = await _numbers(operator)
    for number in range(3):
        patient = {"resourceType": "Patient", "id": f"p{number}"}
        assert (await integrator.put(f"/fhir/Patient/p{number}", json=patient)).status_code == 201
    assert (await integrator.get("/fhir/Patient/nobody")).status_code == 404
    after = await _numbers(operator)
    one = "/fhir/{type}/{id}"
    assert after[_requests(one, "PUT", 201)] == 3
    assert after[_requests(one, "GET", 404)] == 1
    count = ("swallow_http_request_seconds_count", frozenset({("route", one)}))
    assert after[count] == 4
    assert after[_requests("/metrics", "GET", 200)] == 1
    writes = ("swallow_store_writes_total", frozenset[tuple[str, str]]())
    assert after[writes] - before[writes] == 3
    assert after["swallow_http_requests_in_work", frozenset()] == 1, "this one"
    assert after["swallow_store_writes_in_work", frozenset()] == 0
    assert after["swallow_audit_failures_total", frozenset()] == 0


async def test_labels_hold_nothing_that_callers_choose(
    integrator: AsyncClient, operator: AsyncClient
) -> None:
    asked = [
        await integrator.get(f"/fhir/Patient/{SECRET}"),
        await integrator.get(f"/fhir/Patient?identifier={SECRET}"),
        await integrator.get(f"/{SECRET}/{SECRET}"),
        await integrator.get(f"/fhir/{SECRET}"),
        await integrator.request(SECRET.upper(), "/fhir/Patient/p1"),
        await integrator.get("/fhir/Patient", headers={"X-Request-Id": SECRET}),
    ]
    assert {one.status_code for one in asked} <= {200, 404, 405}
    answer = await operator.get("/metrics")
    assert SECRET not in answer.text.lower()
    routes = {row.path for row in (*FHIR_ROUTES, *API_ROUTES)} | {"unmatched"}
    told = {dict(labels).get("route") for _, labels in await _numbers(operator)} - {None}
    assert told <= routes


async def test_only_for_who_runs_the_service(client_of: Callable[[str], AsyncClient], app: FastAPI) -> None:
    assert (await client_of("stranger").get("/metrics")).status_code == 401
    for role in ("integrator", "clinician", "researcher"):
        assert (await client_of(role).get("/metrics")).status_code == 403
    (row,) = (one for one in API_ROUTES if one.path == "/metrics")
    assert row.needs != OPEN
    assert app.services.metrics.text()


async def test_accesses_that_are_not_recorded_are_counted(
    integrator: AsyncClient, app: FastAPI, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def refused(*_arguments: object) -> None:
        raise StoreUnavailable("The trail can't be written now.")

    monkeypatch.setattr(type(app.services.store), "audit", refused)
    assert (await integrator.get("/fhir/Patient/p1")).status_code in {404, 503}
    assert b"swallow_audit_failures_total 1.0" in app.services.metrics.text()
    monkeypatch.undo()


async def test_a_collector_has_a_token_that_does_not_expire(settings: Settings) -> None:
    app = create_app(settings.model_copy(update={"metrics_token": TOKEN, "trust_forwarded": True}))

    async def asked(address: str, path: str = "/metrics", token: str = TOKEN, proto: str = "") -> Response:
        headers = {"Authorization": f"Bearer {token}"} | ({"X-Forwarded-Proto": proto} if proto else {})
        transport = ASGITransport(app, client=(address, 1))
        async with AsyncClient(transport=transport, base_url="http://test", headers=headers) as client:
            return await client.get(path)

    async with running(app):
        assert (await asked("127.0.0.1")).status_code == 200
        assert (await asked("192.0.2.7", proto="https")).status_code == 200
        for refused in (await asked("192.0.2.7"), await asked("127.0.0.1", proto="http")):
            assert refused.status_code == 401
            assert "by https alone" in refused.text
            assert TOKEN not in refused.text
        for wrong in (TOKEN[:-1], f"{TOKEN}0", "", "x y"):
            assert (await asked("127.0.0.1", token=wrong)).status_code == 401
        assert (await asked("127.0.0.1", path="/fhir/Patient")).status_code == 401, "it opens nothing else"
        assert (await asked("127.0.0.1", path="/research/export?variant=safe-harbor")).status_code == 401


async def test_what_waits_for_jobs_and_what_they_did(
    app: FastAPI,
    integrator: AsyncClient,
    researcher: AsyncClient,
    operator: AsyncClient,
    caplog: pytest.LogCaptureFixture,
) -> None:
    caplog.set_level(logging.INFO)
    labels = frozenset({("destination", "there")})
    destination = ("swallow_delivery_oldest_seconds", labels)
    assert destination not in await _numbers(operator)
    there = Destination("there", "fhir", "https://there.example.org/fhir")
    await app.services.backlog.known.add(there)
    assert (await _numbers(operator))[destination] == 0
    assert (await integrator.put("/fhir/Patient/p1", json={"resourceType": "Patient", "id": "p1"})).is_success
    assert (await integrator.put("/fhir/Patient/p2", json={"resourceType": "Patient", "id": "p2"})).is_success
    export = await researcher.get("/research/export?variant=safe-harbor")
    assert export.status_code == 200
    assert (await researcher.get("/research/export?variant=none")).status_code == 400
    await note(app.services.backlog.store, "there", {"p1": Noted(2**40, 0)})
    after = await _numbers(operator)
    assert after[destination] > 0
    assert after["swallow_delivery_waiting", labels] >= 1
    assert after["swallow_delivery_state", labels | {("state", "active")}] == 1
    assert after["swallow_list_rows_behind", frozenset()] <= 2
    assert after["swallow_job_runs_ended_total", frozenset({("job", "research-export")})] == 1
    (record,) = [one for one in caplog.records if getattr(one, "told", {}).get("job") == "research-export"]
    assert record.told.keys() == {"job", "seconds", "people", "resources"}  # type: ignore[attr-defined]


async def test_what_can_not_be_told_is_left_out(
    app: FastAPI, operator: AsyncClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def refused(*_arguments: object) -> None:
        raise StoreUnavailable("The store can't be read now.")

    monkeypatch.setattr(type(app.services.backlog.store), "summaries", refused)
    assert not any(name == "swallow_list_rows_behind" for name, _ in await _numbers(operator))


def test_a_run_that_is_broken_off_failed() -> None:
    runs = Runs()
    with pytest.raises(ValueError, match="x"), runs.run("delivery"):
        raise ValueError("x")
    assert (runs.ended["delivery"], runs.failed["delivery"], runs.in_work["delivery"]) == (0, 1, 0)
