"""Tokens of issuers outside, over HTTP: whose keys are at hand, away, and not yet known."""

import json
from collections.abc import AsyncIterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from httpx import ASGITransport, AsyncClient, ConnectError
from joserfc import jwt
from joserfc.jwk import ECKey
from pytest_httpx import HTTPXMock

from service.app import create_app
from service.security.keys import PAUSE_S
from service.settings import Settings

FIRST, SECOND = (ECKey.generate_key("P-384", auto_kid=True) for _ in range(2))
ISSUER, AUDIENCE = "https://login.example.org", "https://swallow.example.org/fhir"
JWKS = "https://login.example.org/jwks.json"
TOLD = {
    "authorization_endpoint": f"{ISSUER}/authorize",
    "token_endpoint": f"{ISSUER}/token",
    "capabilities": ["launch-ehr", "permission-v2"],
}
pytestmark = [pytest.mark.anyio, pytest.mark.conformance("I2")]


class Clock:
    seconds = 0.0

    def __call__(self) -> datetime:
        return datetime(2026, 6, 1, 9, 0, tzinfo=UTC) + timedelta(seconds=self.seconds)


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
async def service(settings: Settings, tmp_path: Path, clock: Clock) -> AsyncIterator[AsyncClient]:
    path = tmp_path / "issuers.json"
    listed = {"issuer": ISSUER, "audience": AUDIENCE, "jwks": JWKS, "smart_configuration": TOLD}
    path.write_text(json.dumps([listed]))
    app = create_app(settings.model_copy(update={"issuers": str(path)}), clock=clock)
    transport = ASGITransport(app)
    async with (
        app.router.lifespan_context(app),
        AsyncClient(transport=transport, base_url="http://test") as client,
    ):
        yield client


@pytest.fixture
def non_mocked_hosts() -> list[str]:
    return ["test"]


def headers(key: ECKey, clock: Clock) -> dict[str, str]:
    now = int(clock().timestamp())
    claims = {
        "iss": ISSUER,
        "aud": AUDIENCE,
        "sub": "x",
        "iat": now,
        "exp": now + 600,
        "scope": "system/*.rs",
    }
    token = jwt.encode({"alg": "ES384", "kid": key.kid}, claims, key, algorithms=["ES384"])
    return {"Authorization": f"Bearer {token}"}


def publish(httpx_mock: HTTPXMock, *keys: ECKey) -> None:
    httpx_mock.add_response(url=JWKS, json={"keys": [key.as_dict(private=False) for key in keys]})


async def test_a_key_that_is_new_is_fetched(
    service: AsyncClient, httpx_mock: HTTPXMock, clock: Clock
) -> None:
    publish(httpx_mock, FIRST)
    assert (await service.get("/fhir/Patient", headers=headers(FIRST, clock))).status_code == 200
    publish(httpx_mock, SECOND)
    clock.seconds = PAUSE_S
    assert (await service.get("/fhir/Patient", headers=headers(SECOND, clock))).status_code == 200
    gone = await service.get("/fhir/Patient", headers=headers(FIRST, clock))
    assert gone.status_code == 401
    assert gone.json()["issue"][0]["code"] == "login"


@pytest.mark.conformance("I1")
async def test_what_an_authorization_server_outside_can_do_is_told_instead(service: AsyncClient) -> None:
    told = (await service.get("/fhir/.well-known/smart-configuration")).json()
    assert told["token_endpoint"] == TOLD["token_endpoint"]
    assert told["capabilities"] == TOLD["capabilities"]
    security = (await service.get("/fhir/metadata")).json()["rest"][0]["security"]
    uris = {part["url"]: part["valueUri"] for part in security["extension"][0]["extension"]}
    assert uris == {"authorize": TOLD["authorization_endpoint"], "token": TOLD["token_endpoint"]}


async def test_an_issuer_that_is_away_keeps_nobody_else_out(
    service: AsyncClient, httpx_mock: HTTPXMock, clock: Clock, sign: Any
) -> None:
    httpx_mock.add_exception(ConnectError("away"))
    away = await service.get("/fhir/Patient", headers=headers(FIRST, clock))
    assert (away.status_code, away.headers["retry-after"]) == (503, "1")
    assert away.json()["issue"][0]["code"] == "transient"
    own = await service.get("/fhir/Patient", headers={"Authorization": f"Bearer {sign('system/*.rs')}"})
    assert own.status_code == 200
