"""How often, how many at once and how slowly: refused as an OperationOutcome that says when to try again."""

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from typing import Any

import pytest
from httpx import ASGITransport, AsyncClient, Response
from running_apps import NOW, running

from service.app import create_app
from service.rest.call import Services
from service.settings import Settings

pytestmark = pytest.mark.anyio
PATIENT = {"resourceType": "Patient", "active": True}


@pytest.fixture
def serving(settings: Settings) -> Callable[..., Any]:
    @asynccontextmanager
    async def served(**changes: Any) -> AsyncIterator[tuple[AsyncClient, Services]]:
        app = create_app(settings.model_copy(update=changes), clock=lambda: NOW)
        async with running(app), AsyncClient(transport=ASGITransport(app), base_url="http://test") as client:
            yield client, app.services

    return served


def refused(answer: Response, status: int, code: str) -> None:
    assert answer.status_code == status, answer.text
    assert answer.json()["issue"][0]["code"] == code
    assert int(answer.headers["retry-after"]) >= 1
    assert answer.headers["x-request-id"]


def bearer(token: str) -> dict[str, str]:
    return {"Authorization": f"Bearer {token}"}


async def test_a_client_that_asks_too_often_is_told_when_to_ask_again(
    serving: Callable[..., Any], sign: Callable[..., str]
) -> None:
    async with serving(client_rate=0.001, burst_seconds=3_000) as (client, _):
        mine, other = bearer(sign("system/*.rs")), bearer(sign("user/*.rs", subject="other"))
        answers = [await client.get("/fhir/Patient", headers=mine) for _ in range(4)]
        assert [one.status_code for one in answers] == [200, 200, 200, 429]
        refused(answers[-1], 429, "throttled")
        # a further token of the same client and person changes nothing, another person is not held up
        assert (await client.get("/fhir/Goal", headers=bearer(sign("system/*.cruds")))).status_code == 429
        assert (await client.get("/app", headers=mine)).status_code == 429
        assert (await client.get("/fhir/Patient", headers=other)).status_code == 200


async def test_without_a_token_the_address_is_counted(serving: Callable[..., Any]) -> None:
    async with serving(address_rate=0.001, burst_seconds=2_000) as (client, _):
        assert (await client.get("/fhir/metadata")).status_code == 200
        assert (await client.get("/app/sign-in")).status_code == 200
        refused(await client.get("/fhir/metadata"), 429, "throttled")
        assert [(await client.get("/health/ready")).status_code for _ in range(5)] == [200] * 5


async def test_behind_a_trusted_proxy_its_callers_are_counted_apart(serving: Callable[..., Any]) -> None:
    def of(address: str) -> dict[str, str]:
        return {"X-Forwarded-For": f"198.51.100.1, {address}"}

    async with serving(address_rate=0.001, burst_seconds=1_000, trust_forwarded=True) as (client, _):
        assert (await client.get("/fhir/metadata", headers=of("192.0.2.1"))).status_code == 200
        assert (await client.get("/fhir/metadata", headers=of("192.0.2.1"))).status_code == 429
        assert (await client.get("/fhir/metadata", headers=of("192.0.2.2"))).status_code == 200
    async with serving(address_rate=0.001, burst_seconds=1_000) as (client, _):
        assert (await client.get("/fhir/metadata", headers=of("192.0.2.1"))).status_code == 200
        assert (await client.get("/fhir/metadata", headers=of("192.0.2.2"))).status_code == 429


async def test_log_ins_that_fail_too_often_shut_out_no_token_that_was_believed(
    serving: Callable[..., Any], sign: Callable[..., str]
) -> None:
    async with serving(failure_rate=0.001, burst_seconds=2_000) as (client, _):
        good = bearer(sign("system/*.rs"))
        assert (await client.get("/fhir/Patient", headers=good)).status_code == 200
        assert (await client.get("/fhir/Patient", headers=bearer("guess"))).status_code == 401
        form = {"headers": {"Origin": "http://test"}, "data": {"token": "guess"}}
        assert (await client.post("/app/sign-in", **form)).status_code == 401
        refused(await client.get("/fhir/Patient", headers=bearer("guess")), 429, "throttled")
        assert (await client.post("/app/sign-in", **form)).status_code == 429
        assert (await client.get("/app", headers={"Cookie": "session=guess"})).status_code == 429
        assert (await client.get("/fhir/Patient", headers=good)).status_code == 200
        assert (await client.get("/app/sign-in")).status_code == 200


async def test_more_requests_at_once_than_are_taken_on(
    serving: Callable[..., Any], sign: Callable[..., str], monkeypatch: pytest.MonkeyPatch
) -> None:
    async with serving(max_requests=2) as (client, services):
        free = asyncio.Event()
        read = type(services.store).read

        async def waiting(*arguments: Any) -> Any:
            await free.wait()
            return await read(*arguments)

        monkeypatch.setattr(type(services.store), "read", waiting)
        one = client.get("/fhir/Patient/x", headers=bearer(sign("system/*.rs")))
        two = client.get("/fhir/Patient/x", headers=bearer(sign("system/*.rs")))
        waiting_ones = [asyncio.create_task(one), asyncio.create_task(two)]
        await asyncio.sleep(0.05)
        refused(await client.get("/fhir/metadata"), 503, "throttled")
        assert (await client.get("/health/live")).status_code == 200
        free.set()
        assert [(await task).status_code for task in waiting_ones] == [404, 404]
        assert (await client.get("/fhir/metadata")).status_code == 200


async def test_a_body_that_does_not_come_is_not_waited_for(
    serving: Callable[..., Any], sign: Callable[..., str]
) -> None:
    async def slow() -> AsyncIterator[bytes]:
        yield b"{"
        await asyncio.sleep(60)
        yield b"}"

    async with serving(receive_seconds=0.1) as (client, _):
        headers = bearer(sign("system/*.cruds intake")) | {"Content-Type": "application/fhir+json"}
        for path in ("/fhir/Patient", "/fhir", "/intake/visits"):
            json = headers | {"Content-Type": "application/json"}
            answer = await client.post(path, headers=json, content=slow())
            assert (answer.status_code, answer.json()["issue"][0]["code"]) == (408, "timeout"), path
            assert answer.headers["connection"] == "close"
        whole = await client.post("/fhir/Patient", headers=headers, json=PATIENT)
        assert whole.status_code == 201


async def test_what_takes_too_long_is_given_up_and_the_store_goes_on(
    serving: Callable[..., Any], sign: Callable[..., str], monkeypatch: pytest.MonkeyPatch
) -> None:
    async with serving(answer_seconds=3) as (client, services):
        headers = bearer(sign("system/*.cruds"))
        with monkeypatch.context() as patched:

            async def never(*_arguments: Any) -> None:
                await asyncio.sleep(60)

            patched.setattr(type(services.store), "search", never)
            refused(await client.get("/fhir/Patient", headers=headers), 503, "timeout")
        assert (await client.post("/fhir/Patient", headers=headers, json=PATIENT)).status_code == 201
