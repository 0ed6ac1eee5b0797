"""History of a resource, a type and everything (FHIR R4 http.html, history)."""

from collections.abc import AsyncIterator, Callable
from datetime import UTC, datetime, timedelta
from itertools import count
from typing import Any

import pytest
from fastapi import FastAPI
from httpx import ASGITransport, AsyncClient

from service.app import create_app
from service.settings import Settings

pytestmark = pytest.mark.anyio

START = datetime(2026, 6, 1, 9, 0, tzinfo=UTC)


@pytest.fixture
async def app(settings: Settings) -> AsyncIterator[FastAPI]:
    """A service whose clock goes on by a second whenever it is asked."""
    ticks = count()
    app = create_app(settings, clock=lambda: START + timedelta(seconds=next(ticks)))
    async with app.router.lifespan_context(app):
        yield app


async def put(client: AsyncClient, reference: str, **more: Any) -> str:
    """Write a resource and answer when it was."""
    type_, id_ = reference.split("/")
    answer = await client.put(f"/fhir/{reference}", json={"resourceType": type_, "id": id_, **more})
    assert answer.is_success, answer.text
    return str(answer.json()["meta"]["lastUpdated"])


async def listed(client: AsyncClient, path: str) -> list[str]:
    answer = await client.get(f"/fhir/{path}")
    assert answer.status_code == 200, answer.text
    return [
        entry["fullUrl"].removeprefix("http://test/fhir/") + " " + entry["response"]["etag"]
        for entry in answer.json().get("entry", [])
    ]


@pytest.fixture
async def moments(integrator: AsyncClient) -> list[str]:
    """Three versions of one person, one of another and one device; when each was written."""
    return [
        await put(integrator, "Patient/a"),
        await put(integrator, "Patient/b"),
        await put(integrator, "Patient/a", active=True),
        await put(integrator, "Organization/o", name="O"),
        await put(integrator, "Patient/a", active=False),
    ]


@pytest.mark.conformance("B23")
@pytest.mark.usefixtures("moments")
async def test_three_levels(integrator: AsyncClient) -> None:
    assert await listed(integrator, "Patient/a/_history") == [f'Patient/a W/"{n}"' for n in (3, 2, 1)]
    of_type = ['Patient/a W/"3"', 'Patient/a W/"2"', 'Patient/b W/"1"', 'Patient/a W/"1"']
    assert await listed(integrator, "Patient/_history") == of_type
    assert await listed(integrator, "_history") == [of_type[0], 'Organization/o W/"1"', *of_type[1:]]


@pytest.mark.conformance("B23")
@pytest.mark.usefixtures("moments")
async def test_entries_tell_request_and_response(integrator: AsyncClient) -> None:
    await integrator.delete("/fhir/Patient/b")
    first = (await integrator.get("/fhir/Patient/_history")).json()
    assert first["type"] == "history"
    gone = first["entry"][0]
    assert "resource" not in gone
    assert gone["fullUrl"] == "http://test/fhir/Patient/b"
    assert gone["request"] == {"method": "DELETE", "url": "Patient/b"}
    assert gone["response"]["status"].startswith("204")
    for entry in first["entry"][1:]:
        assert entry["response"].keys() == {"status", "etag", "lastModified"}
        assert entry["resource"]["meta"]["lastUpdated"] == entry["response"]["lastModified"]


@pytest.mark.conformance("B24")
async def test_since_and_at(integrator: AsyncClient, moments: list[str]) -> None:
    assert await listed(integrator, f"_history?_since={moments[3]}") == [
        'Patient/a W/"3"',
        'Organization/o W/"1"',
    ]
    assert await listed(integrator, f"Patient/a/_history?_since={moments[2]}") == [
        'Patient/a W/"3"',
        'Patient/a W/"2"',
    ]
    assert await listed(integrator, f"Patient/_history?_at={moments[2]}") == [
        'Patient/a W/"2"',
        'Patient/b W/"1"',
    ]
    assert await listed(integrator, "_history?_since=2027") == []
    assert await listed(integrator, "Patient/a/_history?_at=2020") == []
    assert len(await listed(integrator, "Patient/a/_history?_since=2026-06-01T11:00:00+02:00")) == 3


@pytest.mark.conformance("B24")
@pytest.mark.usefixtures("moments")
@pytest.mark.parametrize("level", ["Patient/a", "Patient", ""])
async def test_pages_hold_everything_once(integrator: AsyncClient, level: str) -> None:
    path = f"{level}/_history".removeprefix("/")
    url, found = f"/fhir/{path}?_count=2&_since=2020", []
    while url:
        page = (await integrator.get(url)).json()
        found += [entry["response"]["lastModified"] for entry in page.get("entry", [])]
        links = {link["relation"]: link["url"] for link in page["link"]}
        assert "_since=2020" in links["self"]
        url = links.get("next", "")
    whole = (await integrator.get(f"/fhir/{path}")).json()["entry"]
    assert found == [entry["response"]["lastModified"] for entry in whole]


@pytest.mark.conformance("B24")
@pytest.mark.usefixtures("moments")
@pytest.mark.parametrize(
    "query",
    ["_since=x", "_at=2026-13", "_count=-1", "_count=x", "_after=x", "name=a", "_since=2020&_since=2021"],
)
async def test_what_cannot_be_used_is_refused(integrator: AsyncClient, query: str) -> None:
    for path in ("_history", "Patient/_history", "Patient/a/_history"):
        answer = await integrator.get(f"/fhir/{path}?{query}")
        assert answer.status_code == 400, answer.text
        assert answer.json()["resourceType"] == "OperationOutcome"


async def test_what_never_was_has_no_history(integrator: AsyncClient) -> None:
    assert (await integrator.get("/fhir/Patient/none/_history")).status_code == 404
    assert (await integrator.get("/fhir/Nothing/_history")).status_code == 404


@pytest.mark.usefixtures("moments")
async def test_everything_is_what_the_caller_may_read(
    app: FastAPI, sign: Callable[..., str], stranger: AsyncClient
) -> None:
    assert (await stranger.get("/fhir/_history")).status_code == 401
    headers = {"Authorization": f"Bearer {sign('user/Organization.rs')}"}
    async with AsyncClient(transport=ASGITransport(app), base_url="http://test", headers=headers) as client:
        assert await listed(client, "_history") == ['Organization/o W/"1"']
        assert (await client.get("/fhir/Patient/_history")).status_code == 403
    headers = {"Authorization": f"Bearer {sign('intake')}"}
    async with AsyncClient(transport=ASGITransport(app), base_url="http://test", headers=headers) as client:
        assert (await client.get("/fhir/_history")).status_code == 403


@pytest.mark.conformance("C9")
@pytest.mark.usefixtures("moments")
async def test_histories_and_heads_in_a_batch(integrator: AsyncClient) -> None:
    urls = ["Patient/a/_history?_count=1", "Patient/_history", "_history?_count=2", "Patient/a/_history/1"]
    entries = [{"request": {"method": method, "url": url}} for url in urls for method in ("GET", "HEAD")]
    bundle = {"resourceType": "Bundle", "type": "batch", "entry": entries}
    answers = (await integrator.post("/fhir", json=bundle)).json()["entry"]
    assert [one["response"]["status"] for one in answers] == ["200 OK"] * 8
    assert ["resource" in one for one in answers] == [True, False] * 4
    assert [len(one["resource"].get("entry", [])) for one in answers[:6:2]] == [1, 4, 2]
