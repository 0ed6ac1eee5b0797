"""Around the routes: compression, pages of other hosts, proxies, long addresses, indentation."""

import gzip
import json
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from datetime import UTC, datetime
from typing import Any

import pytest
from httpx import ASGITransport, AsyncClient

from service.app import create_app
from service.settings import Settings

pytestmark = pytest.mark.anyio

NOW = datetime(2026, 6, 1, 9, 0, tzinfo=UTC)
APP = "https://app.example.org"
PREFLIGHT = {"Origin": APP, "Access-Control-Request-Method": "PUT"}


@pytest.fixture
def with_settings(settings: Settings, sign: Callable[..., str]) -> Callable[..., Any]:
    @asynccontextmanager
    async def client(**changes: Any) -> AsyncIterator[AsyncClient]:
        app = create_app(settings.model_copy(update=changes), clock=lambda: NOW)
        headers = {"Authorization": f"Bearer {sign('system/*.cruds')}"}
        async with (
            app.router.lifespan_context(app),
            AsyncClient(transport=ASGITransport(app), base_url="http://in", headers=headers) as one,
        ):
            yield one

    return client


@pytest.mark.conformance("A6")
async def test_pretty_indents_and_changes_nothing_else(integrator: AsyncClient) -> None:
    text = (
        '{"resourceType":"Observation","id":"w","status":"final","code":{"text":"w"},'
        '"valueQuantity":{"value":72.50}}'
    )
    await integrator.put("/fhir/Observation/w", content=text, headers={"Content-Type": "application/json"})
    plain = (await integrator.get("/fhir/Observation/w?_pretty=false")).text
    pretty = (await integrator.get("/fhir/Observation/w?_pretty=true")).text
    assert "\n" not in plain
    assert '\n  "status": "final"' in pretty
    assert "72.50" in pretty
    assert json.loads(pretty) == json.loads(plain)
    found = await integrator.get("/fhir/Observation?_pretty=true")
    assert '\n  "type": "searchset"' in found.text
    assert "_pretty" not in found.json()["link"][0]["url"]


@pytest.mark.conformance("A22")
async def test_large_answers_are_compressed_for_those_who_ask(integrator: AsyncClient) -> None:
    statement = "/fhir/metadata"
    plain = await integrator.get(statement, headers={"Accept-Encoding": "identity"})
    packed = await integrator.get(statement, headers={"Accept-Encoding": "gzip"})
    assert "content-encoding" not in plain.headers
    assert packed.headers["content-encoding"] == "gzip"
    assert packed.headers["vary"] == "Accept-Encoding"
    assert int(packed.headers["content-length"]) < len(plain.content) / 2
    assert packed.content == plain.content
    assert packed.headers["etag"] == plain.headers["etag"]


@pytest.mark.conformance("A22")
async def test_compressed_bodies_are_refused(integrator: AsyncClient) -> None:
    body = gzip.compress(b'{"resourceType":"Patient"}')
    headers = {"Content-Type": "application/fhir+json", "Content-Encoding": "gzip"}
    answer = await integrator.post("/fhir/Patient", content=body, headers=headers)
    assert answer.status_code == 415
    assert answer.json()["resourceType"] == "OperationOutcome"


@pytest.mark.conformance("A21")
async def test_a_long_address_is_414(integrator: AsyncClient, stranger: AsyncClient) -> None:
    for client in (integrator, stranger):
        answer = await client.get("/fhir/Patient?name=" + "a" * 16_001)
        assert answer.status_code == 414
        assert "_search" in answer.json()["issue"][0]["details"]["text"]
        assert answer.headers["x-request-id"]


@pytest.mark.conformance("A16")
async def test_without_a_setting_no_page_of_another_host_may_call(integrator: AsyncClient) -> None:
    asked = await integrator.options("/fhir/Patient", headers=PREFLIGHT)
    answer = await integrator.get("/fhir/Patient", headers={"Origin": APP})
    assert not [name for one in (asked, answer) for name in one.headers if name.startswith("access-control")]
    (rest,) = (await integrator.get("/fhir/metadata")).json()["rest"]
    assert rest["security"]["cors"] is False


@pytest.mark.conformance("A16")
async def test_pages_of_named_origins_may_call(with_settings: Callable[..., Any]) -> None:
    async with with_settings(cors_origins=f"https://other.example.org {APP}") as client:
        wanted = "authorization, prefer, if-match, if-none-exist, content-type"
        allowed = await client.options(
            "/fhir/Patient/p1", headers=PREFLIGHT | {"Access-Control-Request-Headers": wanted}
        )
        assert allowed.status_code == 200
        assert allowed.headers["access-control-allow-origin"] == APP
        assert "PUT" in allowed.headers["access-control-allow-methods"]
        sent = allowed.headers["access-control-allow-headers"].lower()
        assert all(name in sent for name in wanted.split(", "))
        missing = await client.get("/fhir/Patient/none", headers={"Origin": APP})
        assert missing.status_code == 404
        assert missing.headers["access-control-allow-origin"] == APP
        shown = missing.headers["access-control-expose-headers"]
        assert all(name in shown for name in ("ETag", "Location", "Content-Location", "Last-Modified"))
        assert "access-control-allow-credentials" not in missing.headers
        stranger = await client.options(
            "/fhir/Patient", headers=PREFLIGHT | {"Origin": "https://evil.example"}
        )
        assert stranger.status_code == 403
        assert stranger.json()["resourceType"] == "OperationOutcome"
        (rest,) = (await client.get("/fhir/metadata")).json()["rest"]
        assert rest["security"]["cors"] is True


PROXY = {
    "X-Forwarded-Proto": "https",
    "X-Forwarded-Host": "fhir.example.org:8443",
    "X-Forwarded-Prefix": "/swallow",
}


@pytest.mark.conformance("A17")
async def test_what_a_proxy_says_counts_only_if_trusted(with_settings: Callable[..., Any]) -> None:
    async with with_settings() as client:
        made = await client.post("/fhir/Patient", json={"resourceType": "Patient"}, headers=PROXY)
        assert made.headers["location"].startswith("http://in/fhir/Patient/")
    async with with_settings(trust_forwarded=True) as client:
        made = await client.post("/fhir/Patient", json={"resourceType": "Patient"}, headers=PROXY)
        base = "https://fhir.example.org:8443/swallow/fhir/"
        assert made.headers["location"].startswith(base)
        found = (await client.get("/fhir/Patient", headers=PROXY)).json()
        assert all(entry["fullUrl"].startswith(base) for entry in found["entry"])
        assert found["link"][0]["url"].startswith(base)
        odd = PROXY | {"X-Forwarded-Host": 'x"><script>', "X-Forwarded-Proto": "javascript"}
        assert (await client.get("/fhir/Patient", headers=odd)).json()["link"][0]["url"] == (
            "http://in/swallow/fhir/Patient"
        )


@pytest.mark.conformance("G7")
async def test_the_statement_has_an_entity_tag(stranger: AsyncClient) -> None:
    first = await stranger.get("/fhir/metadata")
    again = await stranger.get("/fhir/metadata", headers={"If-None-Match": first.headers["etag"]})
    assert (again.status_code, again.content) == (304, b"")
    other = await stranger.get("/fhir/metadata", headers={"If-None-Match": 'W/"other"'})
    assert other.status_code == 200


@pytest.mark.conformance("B27", "B21", "G3")
async def test_references_are_enforced_where_the_setting_says_so(with_settings: Callable[..., Any]) -> None:
    goal = {
        "resourceType": "Goal",
        "id": "g",
        "lifecycleStatus": "active",
        "description": {"text": "x"},
        "subject": {"reference": "Patient/p"},
    }
    for references, policy in (
        ("allow", ["literal", "logical"]),
        ("enforce", ["literal", "logical", "enforced"]),
    ):
        async with with_settings(references=references) as client:
            (rest,) = (await client.get("/fhir/metadata")).json()["rest"]
            assert all(one["referencePolicy"] == policy for one in rest["resource"] if "versioning" in one)
    async with with_settings(references="enforce") as client:
        assert (await client.put("/fhir/Goal/g", json=goal)).status_code == 422
        await client.put("/fhir/Patient/p", json={"resourceType": "Patient", "id": "p"})
        assert (await client.put("/fhir/Goal/g", json=goal)).status_code == 201
        refused = await client.delete("/fhir/Patient/p")
        assert refused.status_code == 409
        assert "Goal/g" in refused.json()["issue"][0]["details"]["text"]
