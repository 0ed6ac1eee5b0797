"""Tokens whose issuer is asked (RFC 7662)."""

import asyncio
import json
from typing import Any

import pytest
from joserfc import jwt
from joserfc.jwk import RSAKey

from service.errors import IssuerUnreachable, Unauthenticated
from service.security.introspection import KEPT_S, Introspection
from service.security.keys import GivenKeys
from service.security.principal import Principal
from service.security.tokens import Issuer, TokenVerifier

NAME, AUDIENCE = "https://issuer.example.org", "https://fhir.example.org"
GOOD = {"active": True, "scope": "user/*.rs", "sub": "someone", "client_id": "app", "iss": NAME}

pytestmark = [
    pytest.mark.published("RFC 7662 section 2; SMART App Launch 2.2, token-introspection.html"),
    pytest.mark.conformance("I2"),
]


class Server:
    """An issuer that answers what a test says."""

    def __init__(self) -> None:
        self.now = 1_780_000_000.0
        self.answer: Any = GOOD
        self.asked: list[tuple[str, dict[str, str], tuple[str, str]]] = []
        believed = Introspection(NAME, f"{NAME}/introspect", AUDIENCE, ("swallow", "secret"), self.post)
        self.believed = believed
        self.verifier = TokenVerifier([believed], lambda: self.now, remembered_s=1)

    async def post(self, url: str, form: dict[str, str], login: tuple[str, str]) -> bytes:
        self.asked.append((url, form, login))
        if self.answer is None:
            raise IssuerUnreachable("try again")
        return self.answer if isinstance(self.answer, bytes) else json.dumps(self.answer).encode()

    def says(self) -> Principal:
        return asyncio.run(self.verifier.verify("opaque"))


@pytest.fixture
def server() -> Server:
    return Server()


def test_an_active_token_becomes_a_principal(server: Server) -> None:
    server.answer = GOOD | {"patient": "p1", "fhirUser": "Practitioner/1", "exp": server.now + 600}
    said = server.says()
    assert (said.subject, said.client, said.issuer, said.patient) == ("someone", "app", NAME, "p1")
    assert said.scopes.grant("Goal.rs")
    form = {"token": "opaque", "token_type_hint": "access_token"}
    assert server.asked == [(f"{NAME}/introspect", form, ("swallow", "secret"))]


def test_a_system_s_token_has_its_client_as_the_subject(server: Server) -> None:
    server.answer = {"active": True, "scope": "system/*.rs", "client_id": "lab"}
    assert server.says().subject == "lab"


@pytest.mark.parametrize(
    "answer",
    [
        {"active": False},
        {"active": "true", "sub": "x"},
        {},
        {"active": True},
        GOOD | {"iss": "https://other.example.org"},
        GOOD | {"aud": "https://other.example.org"},
        GOOD | {"exp": 1},
        GOOD | {"nbf": 9e12},
        GOOD | {"scope": ["user/*.rs"]},
    ],
    ids=str,
)
def test_what_is_not_active_or_not_for_us_is_refused(server: Server, answer: Any) -> None:
    server.answer = answer
    with pytest.raises(Unauthenticated):
        server.says()


def test_an_answer_holds_for_a_minute(server: Server) -> None:
    server.says()
    server.answer = {"active": False}
    server.now += KEPT_S - 1
    server.says()
    assert len(server.asked) == 1
    server.now += 1
    with pytest.raises(Unauthenticated):
        server.says()
    with pytest.raises(Unauthenticated):
        server.says()
    assert len(server.asked) == 2


@pytest.mark.parametrize("answer", [None, b"<html>", b"[]", b'"active"'])
def test_an_issuer_that_can_not_be_asked_is_503_and_asked_again(server: Server, answer: Any) -> None:
    server.answer = answer
    with pytest.raises(IssuerUnreachable, match="try again"):
        server.says()
    server.answer = GOOD
    assert server.says().subject == "someone"


def test_a_token_is_shown_to_its_own_issuer_alone(server: Server) -> None:
    key = RSAKey.generate_key(2048, auto_kid=True)
    signing = Issuer("https://signs.example.org", GivenKeys([key]), AUDIENCE)
    both = TokenVerifier([signing, server.believed], lambda: server.now)
    now = int(server.now)
    for name, asked in ((signing.name, 0), ("https://stranger.example.org", 0), (NAME, 1)):
        claims = {"iss": name, "aud": AUDIENCE, "sub": "x", "iat": now, "exp": now + 60}
        text = jwt.encode({"alg": "RS256", "kid": key.kid}, claims, key)
        if name.startswith("https://stranger"):
            with pytest.raises(Unauthenticated):
                asyncio.run(both.verify(text))
        else:
            asyncio.run(both.verify(text))
        assert len(server.asked) == asked
