"""What the service counts of itself: read as a collector does, and nothing in it is about anybody."""

from collections.abc import Callable

import pytest
from fastapi import FastAPI
from httpx import AsyncClient
from prometheus_client.parser import text_string_to_metric_families

from service.errors import StoreUnavailable
from service.rest.dispatch import OPEN
from service.rest.routes import API_ROUTES, FHIR_ROUTES

pytestmark = pytest.mark.anyio

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
