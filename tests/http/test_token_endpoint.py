"""Tokens for registered systems (SMART backend services): what is granted, and everything that is not.

Two instances of the service share one database, as two processes would.
"""

import base64
import hmac
import json
from collections.abc import AsyncIterator
from contextlib import AsyncExitStack
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from itertools import count
from typing import Any
from urllib.parse import urlencode

import pytest
from httpx import ASGITransport, AsyncClient, Response
from joserfc import jws, jwt
from joserfc.jwk import ECKey, RSAKey

from service.app import create_app
from service.errors import InvalidInput
from service.rest.oauth import _LONGEST
from service.security.clients import Client, Clients
from service.security.signed import SKEW_S, Key
from service.security.signing_keys import SIGNS_S, SigningKeys
from service.security.token_service import ASSERTION_TYPE, VALID_S
from service.settings import Settings

CURVE = ECKey.generate_key("P-384", auto_kid=True)
RSA = RSAKey.generate_key(2048, auto_kid=True)
OTHER = ECKey.generate_key("P-384", auto_kid=True)
ADDRESS = "http://test/oauth/token"
pytestmark = [
    pytest.mark.anyio,
    pytest.mark.published("SMART App Launch 2.2, backend-services.html; RFC 6749, RFC 7523"),
    pytest.mark.conformance("I6"),
]


@dataclass
class Site:
    """Two instances, their clock, and the registry."""

    clients: Clients
    instances: list[AsyncClient]
    seconds: float = 0.0
    numbers: Any = field(default_factory=count)

    def now(self) -> datetime:
        return datetime(2026, 6, 1, 9, 0, tzinfo=UTC) + timedelta(seconds=self.seconds)

    def assertion(self, key: Any = CURVE, header: dict[str, Any] | None = None, **changes: Any) -> str:
        now = int(self.now().timestamp())
        claims = {
            "iss": "lab",
            "sub": "lab",
            "aud": ADDRESS,
            "exp": now + VALID_S,
            "jti": str(next(self.numbers)),
        } | changes
        claims = {name: value for name, value in claims.items() if value is not None}
        header = {"alg": "ES384", "kid": key.kid, "typ": "JWT"} | (header or {})
        anything = jws.JWSRegistry(algorithms=[header["alg"]], strict_check_header=False)
        return jws.serialize_compact(header, json.dumps(claims), key, registry=anything)

    def form(self, assertion: str = "", **changes: str) -> dict[str, str]:
        return {
            "grant_type": "client_credentials",
            "scope": "system/*.rs",
            "client_assertion_type": ASSERTION_TYPE,
            "client_assertion": assertion or self.assertion(),
        } | changes

    async def ask(self, form: dict[str, str] | None = None, at: int = 0, **more: Any) -> Response:
        return await self.instances[at].post("/oauth/token", data=form or self.form(), **more)

    async def read(self, token: str, at: int = 0, path: str = "/fhir/Patient") -> int:
        headers = {"Authorization": f"Bearer {token}"}
        return (await self.instances[at].get(path, headers=headers)).status_code


def public(*keys: Key) -> dict[str, Any]:
    return {"keys": [key.as_dict(private=False) for key in keys]}


async def no_keys(_url: str) -> bytes:
    raise AssertionError("these clients' keys are on file")


@pytest.fixture
async def site(settings: Settings) -> AsyncIterator[Site]:
    async with AsyncExitStack() as stack:
        made = Site(Clients(lambda: apps[0].entries, lambda: 0, no_keys), [])
        apps = [create_app(settings, clock=made.now) for _ in range(2)]
        for app in apps:
            await stack.enter_async_context(app.router.lifespan_context(app))
            transport = ASGITransport(app)
            client = AsyncClient(transport=transport, base_url="http://test")
            made.instances.append(await stack.enter_async_context(client))
        await made.clients.add(Client("lab", "integrator", "system/*.cruds intake", public(CURVE, RSA)))
        yield made


def encoded(text: bytes) -> str:
    return base64.urlsafe_b64encode(text).rstrip(b"=").decode()


def with_the_public_key(payload: str) -> str:
    """An assertion whose secret is the client's public key, which everybody knows."""
    header = encoded(json.dumps({"alg": "HS384", "kid": CURVE.kid}).encode())
    digest = hmac.digest(CURVE.as_pem(private=False), f"{header}.{payload}".encode(), "sha384")
    return f"{header}.{payload}.{encoded(digest)}"


def refused(answer: Response, error: str) -> str:
    """The sentence of a refusal, whose shape is RFC 6749's."""
    assert answer.status_code == (401 if error == "invalid_client" else 400), answer.text
    assert answer.headers["cache-control"] == "no-store"
    body = answer.json()
    assert body["error"] == error, body
    return str(body["error_description"])


async def test_a_registered_system_gets_a_token_and_reads(site: Site) -> None:
    answer = await site.ask()
    assert answer.status_code == 200, answer.text
    assert (answer.headers["cache-control"], answer.headers["pragma"]) == ("no-store", "no-cache")
    body = answer.json()
    assert body.keys() == {"access_token", "token_type", "expires_in", "scope"}
    assert (body["token_type"], body["expires_in"], body["scope"]) == ("bearer", 300, "system/*.rs")
    assert await site.read(body["access_token"]) == 200
    site.seconds = VALID_S + SKEW_S
    assert await site.read(body["access_token"]) == 401


@pytest.mark.parametrize(("key", "algorithm"), [(CURVE, "ES384"), (RSA, "RS384")])
async def test_both_algorithms_of_the_standard_are_taken(site: Site, key: Any, algorithm: str) -> None:
    answer = await site.ask(site.form(site.assertion(key, {"alg": algorithm})))
    assert answer.status_code == 200, answer.text


async def test_an_instance_believes_what_another_has_signed(site: Site) -> None:
    tokens = [(await site.ask(at=at)).json()["access_token"] for at in (0, 1)]
    assert [await site.read(token, at) for token in tokens for at in (0, 1)] == [200] * 4
    kids = {json.loads(base64.urlsafe_b64decode(f"{token.split('.')[0]}=="))["kid"] for token in tokens}
    published = (await site.instances[1].get("/oauth/jwks")).json()["keys"]
    assert {key["kid"] for key in published} == kids
    assert all("d" not in key for key in published)


async def test_keys_change_and_old_tokens_stay_good(site: Site) -> None:
    first = (await site.ask()).json()["access_token"]
    site.seconds = SIGNS_S - 1
    last = (await site.ask()).json()["access_token"]
    site.seconds = SIGNS_S + 1
    next_ = (await site.ask(at=1)).json()["access_token"]
    kids = [token.split(".")[0] for token in (first, last, next_)]
    assert kids[0] == kids[1] != kids[2]
    assert [await site.read(token, at) for token in (last, next_) for at in (0, 1)] == [200] * 4


async def test_keys_that_are_revoked_take_their_tokens_with_them(site: Site, settings: Settings) -> None:
    token = (await site.ask()).json()["access_token"]
    assert await site.read(token) == 200
    signing = SigningKeys(site.clients._entries, lambda: site.now().timestamp())
    await signing.revoke()
    site.seconds += settings.revocation_seconds
    assert [await site.read(token, at) for at in (0, 1)] == [401, 401]
    tokens = [(await site.ask(at=at)).json()["access_token"] for at in (0, 1)]
    assert [await site.read(one, at) for one in tokens for at in (0, 1)] == [200] * 4


@pytest.mark.parametrize(
    ("asked", "granted"),
    [
        ("system/Patient.rs", "system/Patient.rs"),
        ("system/*.read intake", "system/*.read intake"),
        ("system/Observation.rs?category=x", "system/Observation.rs?category=x"),
        ("system/Goal.r user/*.cruds operate", "system/Goal.r"),
        ("system/Goal.r system/Goal.r", "system/Goal.r"),
    ],
)
async def test_what_is_granted_is_what_the_client_has(site: Site, asked: str, granted: str) -> None:
    assert (await site.ask(site.form(scope=asked))).json()["scope"] == granted


@pytest.mark.parametrize("scope", ["", "user/*.rs", "patient/*.rs", "research-export", "openid", "system/*"])
async def test_no_scope_of_the_client_s_is_no_token(site: Site, scope: str) -> None:
    refused(await site.ask(site.form(scope=scope)), "invalid_scope")


@pytest.mark.parametrize("scope", ["system/*.rs", "system/Patient.r", "intake", "audit-read", "user/*.rs"])
async def test_a_researcher_never_gets_what_is_stored(site: Site, scope: str) -> None:
    await site.clients.add(Client("study", "researcher", "research-export", public(CURVE)))
    as_study = {"iss": "study", "sub": "study"}
    refused(await site.ask(site.form(site.assertion(**as_study), scope=scope)), "invalid_scope")
    both = await site.ask(site.form(site.assertion(**as_study), scope=f"research-export {scope}"))
    assert both.json()["scope"] == "research-export"
    assert await site.read(both.json()["access_token"]) == 403
    with pytest.raises(InvalidInput, match="not the role's"):
        await site.clients.add(Client("other", "researcher", f"research-export {scope}", public(CURVE)))


async def test_an_assertion_is_good_once_in_every_instance(site: Site) -> None:
    form = site.form()
    assert (await site.ask(form)).status_code == 200
    for at in (0, 1):
        assert "used before" in refused(await site.ask(form, at), "invalid_client")
    again = site.form(site.assertion(jti="0"))
    assert "used before" in refused(await site.ask(again), "invalid_client")


async def test_what_was_used_is_forgotten_when_it_is_no_longer_good(site: Site) -> None:
    await site.ask()
    site.seconds = VALID_S + 2 * SKEW_S + 61
    await site.ask()
    assert len(await site.clients._entries().entries("assertion")) == 1


@pytest.mark.parametrize(
    "changes",
    [
        {"iss": "other"},
        {"iss": None},
        {"sub": "other"},
        {"sub": None},
        {"sub": ["lab"]},
        {"aud": "http://test/fhir"},
        {"aud": "https://other.example.org/oauth/token"},
        {"aud": None},
        {"jti": None},
        {"jti": 7},
        {"exp": None},
        {"exp": 1},
        {"exp": 9e9},
        {"exp": float("nan")},
        {"nbf": 9e9},
        {"iat": 9e9},
    ],
    ids=str,
)
async def test_an_assertion_that_says_something_else_is_refused(site: Site, changes: dict[str, Any]) -> None:
    refused(await site.ask(site.form(site.assertion(**changes))), "invalid_client")


async def test_forged_assertions_are_refused(site: Site) -> None:
    header, payload, signature = site.assertion().split(".")
    nothing = encoded(b'{"alg":"none"}')
    forged = {
        "another key": site.assertion(OTHER),
        "another key under the client's name of one": site.assertion(OTHER, {"kid": CURVE.kid}),
        "the key in the assertion": site.assertion(OTHER, {"jwk": OTHER.as_dict(private=False)}),
        "an address of keys that is not the client's": site.assertion(
            header={"jku": "https://a.example.org"}
        ),
        "no name of a key": site.assertion(header={"kid": ""}),
        "the public key as a secret": with_the_public_key(payload),
        "an algorithm that is not the standard's": site.assertion(RSA, {"alg": "RS256"}),
        "no algorithm": f"{nothing}.{payload}.",
        "no signature": f"{header}.{payload}.",
        "somebody else's claims": f"{header}.{site.assertion(sub='x').split('.')[1]}.{signature}",
        "nothing": "..",
        "a very long one": site.assertion(note="x" * 9_000),
    }
    for what, assertion in forged.items():
        said = refused(await site.ask(site.form(assertion)), "invalid_client")
        assert assertion not in said, what


async def test_a_token_of_ours_is_no_assertion(site: Site) -> None:
    token = (await site.ask()).json()["access_token"]
    refused(await site.ask(site.form(token)), "invalid_client")


async def test_a_token_of_another_service_is_refused(site: Site) -> None:
    now = int(site.now().timestamp())
    name = "https://swallow-interop.example.org"
    claims = {"iss": f"{name}/oauth", "aud": f"{name}/fhir", "sub": "lab", "client_id": "lab"}
    times = {"iat": now, "exp": now + 60, "scope": "system/*.rs"}
    stranger = ECKey.generate_key("P-256", auto_kid=True)
    await site.ask()
    (own,) = (await site.instances[0].get("/oauth/jwks")).json()["keys"]
    for kid in (stranger.kid, own["kid"]):
        token = jwt.encode({"alg": "ES256", "kid": kid}, claims | times, stranger, algorithms=["ES256"])
        assert await site.read(token) == 401


async def test_a_disabled_client_is_out_everywhere_within_the_time_of_the_setting(
    site: Site, settings: Settings
) -> None:
    token = (await site.ask()).json()["access_token"]
    assert [await site.read(token, at) for at in (0, 1)] == [200, 200]
    await site.clients.disable("lab")
    for at in (0, 1):
        refused(await site.ask(at=at), "invalid_client")
    site.seconds += settings.revocation_seconds
    assert [await site.read(token, at) for at in (0, 1)] == [401, 401]


async def test_a_token_that_is_refused_by_its_number_is_out(site: Site, settings: Settings) -> None:
    token = (await site.ask()).json()["access_token"]
    claims = json.loads(base64.urlsafe_b64decode(f"{token.split('.')[1]}=="))
    until = int(site.now().timestamp()) + 3600
    await site.clients.refuse(claims["iss"], claims["jti"], until)
    site.seconds += settings.revocation_seconds
    other = (await site.ask()).json()["access_token"]
    assert [await site.read(one) for one in (token, other)] == [401, 200]


@pytest.mark.parametrize(
    ("changes", "error"),
    [
        ({"grant_type": "password"}, "unsupported_grant_type"),
        ({"grant_type": ""}, "unsupported_grant_type"),
        ({"client_assertion_type": "x"}, "invalid_request"),
        ({"client_assertion": " "}, "invalid_client"),
        ({"client_id": "other"}, "invalid_client"),
        ({"extra": "\0"}, "invalid_request"),
    ],
    ids=str,
)
async def test_forms_that_ask_for_something_else(site: Site, changes: dict[str, str], error: str) -> None:
    refused(await site.ask(site.form(**changes)), error)


async def test_a_client_may_name_itself_and_what_the_standard_does_not_know_is_left_out(site: Site) -> None:
    assert (await site.ask(site.form(client_id="lab", resource="http://test/fhir"))).status_code == 200


async def test_odd_requests_are_refused_in_the_standard_s_way(site: Site) -> None:
    post, form = site.instances[0].post, site.form()
    text = urlencode(form)
    media = {"Content-Type": "application/x-www-form-urlencoded"}
    twice = [
        await post("/oauth/token", content=f"{text}&{name}={value}", headers=media)
        for name, value in (("scope", "system/*.cruds"), ("client_assertion", "x"), ("grant_type", "x"))
    ]
    odd = [
        *twice,
        await post(f"/oauth/token?{text}", headers=media),
        await post("/oauth/token?scope=system/*.rs", data=form),
        await post("/oauth/token", json=form),
        await post("/oauth/token", content=text),
        await post("/oauth/token", content=b"\xff=%ff", headers=media),
        await post("/oauth/token", data=form, headers={"Authorization": "Basic bGFiOnNlY3JldA=="}),
        await post("/oauth/token", content="&".join(f"a{n}=b" for n in range(50)), headers=media),
    ]
    for answer in odd:
        refused(answer, "invalid_request")
    assert (await site.ask(form)).status_code == 200, "none of these used the assertion up"
    assert (await post("/oauth/token", content="a" * (_LONGEST + 1), headers=media)).status_code == 413
    assert (await site.instances[0].get("/oauth/token")).status_code == 405


@pytest.mark.conformance("I3")
async def test_a_token_in_an_address_is_refused(site: Site) -> None:
    token = (await site.ask()).json()["access_token"]
    answer = await site.instances[0].get(f"/fhir/Patient?access_token={token}")
    assert answer.status_code == 401
    assert token not in answer.text


@pytest.mark.conformance("I1")
async def test_the_configuration_tells_how(site: Site) -> None:
    at_base = await site.instances[0].get("/fhir/.well-known/smart-configuration", headers={"Accept": "x/y"})
    at_root = await site.instances[0].get("/.well-known/smart-configuration")
    assert at_base.headers["content-type"] == "application/json"
    told = at_base.json()
    assert at_root.json() == told
    assert told["token_endpoint"] == ADDRESS
    assert told["grant_types_supported"] == ["client_credentials"]
    assert told["token_endpoint_auth_methods_supported"] == ["private_key_jwt"]
    assert told["token_endpoint_auth_signing_alg_values_supported"] == ["RS384", "ES384"]
    assert told["code_challenge_methods_supported"] == ["S256"]
    assert "client-confidential-asymmetric" in told["capabilities"]
    assert (await site.instances[0].get(told["jwks_uri"])).status_code == 200
    statement = (await site.instances[0].get("/fhir/metadata")).json()
    security = statement["rest"][0]["security"]
    assert security["service"][0]["coding"][0]["code"] == "SMART-on-FHIR"
    (extension,) = security["extension"]
    uris = {part["url"]: part["valueUri"] for part in extension["extension"]}
    assert uris["token"] == ADDRESS
    nobody = await site.instances[0].get(uris["authorize"], params={"response_type": "code"})
    refused(nobody, "unsupported_response_type")


@pytest.mark.conformance("L1")
async def test_tokens_that_are_granted_and_refused_are_recorded(site: Site) -> None:
    granted = await site.ask()
    await site.ask(site.form(assertion="nonsense"))
    form = site.form(scope="system/AuditEvent.rs")
    assert granted.status_code == 200
    token = (await site.ask(form)).json().get("access_token", "")
    headers = {"Authorization": f"Bearer {token}"}
    answer = await site.instances[0].get("/fhir/AuditEvent?subtype=110122", headers=headers)
    events = [entry["resource"] for entry in answer.json()["entry"]]
    told = sorted((one["outcome"], one["agent"][0].get("altId", "")) for one in events)
    assert told == [("0", "lab"), ("0", "lab"), ("4", "")]
    assert "nonsense" not in answer.text
