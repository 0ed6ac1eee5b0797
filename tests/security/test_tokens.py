import asyncio
import base64
import hmac
import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from joserfc import jwt
from joserfc.jwk import KeySet, RSAKey

from service.errors import Unauthenticated
from service.security.principal import Principal
from service.security.tokens import ALGORITHMS, SKEW_S, Issuer, TokenVerifier

NOW = 1_780_000_000.0
KEY = RSAKey.generate_key(2048, auto_kid=True)
OTHER = RSAKey.generate_key(2048, auto_kid=True)
ISSUER = Issuer("https://issuer.example.org", KeySet([KEY]), "https://fhir.example.org")


class Clock:
    def __init__(self) -> None:
        self.now = NOW

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def verifier(clock: Clock) -> TokenVerifier:
    return TokenVerifier([ISSUER], clock)


def verified(verifier: TokenVerifier, text: str) -> Principal:
    return asyncio.run(verifier.verify(text))


def token(key: RSAKey = KEY, header: dict[str, Any] | None = None, **changes: Any) -> str:
    claims = {
        "iss": ISSUER.name,
        "aud": ISSUER.audience,
        "sub": "someone",
        "iat": NOW,
        "exp": NOW + 600,
        "scope": "user/*.rs",
    } | changes
    claims = {name: value for name, value in claims.items() if value is not None}
    header = {"alg": "RS256", "kid": KEY.kid} | (header or {})
    return jwt.encode(header, claims, key, algorithms=[header["alg"]])


def unsigned(header: dict[str, Any], claims: dict[str, Any]) -> str:
    parts = (base64.urlsafe_b64encode(json.dumps(part).encode()).rstrip(b"=") for part in (header, claims))
    return b".".join([*parts, b""]).decode()


def signed_with_the_public_key(claims: dict[str, Any]) -> str:
    text = unsigned({"alg": "HS256", "kid": KEY.kid}, claims).removesuffix(".")
    digest = hmac.digest(KEY.as_pem(private=False), text.encode(), "sha256")
    return f"{text}.{base64.urlsafe_b64encode(digest).rstrip(b'=').decode()}"


def test_a_good_token_becomes_a_principal(verifier: TokenVerifier) -> None:
    principal = verified(verifier, token(fhirUser="Practitioner/1"))
    assert (principal.subject, principal.issuer) == ("someone", ISSUER.name)
    assert principal.fhir_user == "Practitioner/1"
    assert principal.scopes.grant("Patient.rs")


@pytest.mark.published("SMART App Launch 2.2: the launch context's patient; RFC 9068: client_id")
def test_what_a_token_says_of_patient_program_and_purpose(verifier: TokenVerifier) -> None:
    said = verified(verifier, token(scope="patient/*.rs", patient="p1", azp="app", purpose_of_use="TREAT"))
    assert (said.patient, said.client, said.purpose) == ("p1", "app", "TREAT")
    assert said.scopes.grant("Goal.rs")
    assert verified(verifier, token(client_id="one", azp="two")).client == "one"


def test_patient_scopes_grant_nothing_if_the_token_names_no_patient(verifier: TokenVerifier) -> None:
    assert not verified(verifier, token(scope="patient/*.rs")).scopes.grant("*.rs")


@pytest.mark.published("RFC 7519 section 4.1: iss, sub, aud, exp, nbf, iat")
@pytest.mark.parametrize(
    "changes",
    [
        {"iss": "https://stranger.example.org"},
        {"iss": None},
        {"iss": 7},
        {"iss": ["https://issuer.example.org"]},
        {"aud": "https://other.example.org"},
        {"aud": None},
        {"sub": None},
        {"exp": NOW - SKEW_S},
        {"exp": None},
        {"exp": "tomorrow"},
        {"exp": True},
        {"nbf": NOW + SKEW_S + 1},
        {"iat": NOW + SKEW_S + 1},
        {"iat": None},
        {"scope": ["user/*.rs"]},
        {"fhirUser": {"reference": "Practitioner/1"}},
        {"patient": 7},
        {"client_id": ["a"]},
    ],
    ids=str,
)
def test_a_wrong_claim_is_refused(verifier: TokenVerifier, changes: dict[str, Any]) -> None:
    with pytest.raises(Unauthenticated):
        verified(verifier, token(**changes))


def test_small_clock_differences_are_forgiven(verifier: TokenVerifier) -> None:
    verified(verifier, token(exp=NOW - SKEW_S + 1, iat=NOW + SKEW_S - 1, nbf=NOW + SKEW_S - 1))


@pytest.mark.published("RFC 8725 sections 3.1 and 3.2: algorithms are verified against a list, never 'none'")
def test_other_algorithms_and_keys_are_refused(verifier: TokenVerifier) -> None:
    claims = {"iss": ISSUER.name, "aud": ISSUER.audience, "sub": "x", "iat": NOW, "exp": NOW + 600}
    forged = [
        unsigned({"alg": "none"}, claims),
        unsigned({"alg": "RS256"}, claims),
        token(OTHER),
        token(OTHER, {"kid": OTHER.kid}),
        token(KEY, {"alg": "RS512"}),
        signed_with_the_public_key(claims),
    ]
    assert ALGORITHMS == ("RS256",)
    for text in forged:
        with pytest.raises(Unauthenticated):
            verified(verifier, text)


def test_a_changed_payload_is_refused(verifier: TokenVerifier) -> None:
    header, _, signature = token().split(".")
    claims = {"iss": ISSUER.name, "aud": ISSUER.audience, "sub": "x", "iat": NOW, "exp": NOW + 600}
    payload = unsigned({}, claims | {"scope": "system/*.cruds"}).split(".")[1]
    with pytest.raises(Unauthenticated):
        verified(verifier, f"{header}.{payload}.{signature}")


@given(
    st.text(max_size=200) | st.from_regex(r"[A-Za-z0-9_-]{0,40}\.[A-Za-z0-9_-]{0,40}\.[A-Za-z0-9_-]{0,10}")
)
def test_any_text_is_refused_without_repeating_it(text: str) -> None:
    with pytest.raises(Unauthenticated) as refused:
        verified(TokenVerifier([ISSUER], lambda: NOW), text)
    assert len(text) < 8 or text not in str(refused.value)
    assert refused.value.__cause__ is None


def test_deep_nesting_in_a_token_is_refused(verifier: TokenVerifier) -> None:
    deep = base64.urlsafe_b64encode(b"[" * 5000).rstrip(b"=").decode()
    with pytest.raises(Unauthenticated):
        verified(verifier, f"{deep}.{deep}.")
    header = base64.urlsafe_b64encode(b'{"alg":"RS256"}').rstrip(b"=").decode()
    with pytest.raises(Unauthenticated):
        verified(verifier, f"{header}.{deep}.")


def test_a_remembered_token_still_expires(
    verifier: TokenVerifier, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    text = token()
    first = verified(verifier, text)
    monkeypatch.setattr("service.security.tokens.jws.validate_compact", None)  # would fail if used again
    assert verified(verifier, text) is first
    monkeypatch.undo()
    clock.now = NOW + 600 + SKEW_S
    with pytest.raises(Unauthenticated, match="expired"):
        verified(verifier, text)


def test_the_memory_of_tokens_is_bounded(verifier: TokenVerifier, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("service.security.tokens._REMEMBERED", 2)
    for number in range(4):
        verified(verifier, token(sub=str(number)))
    assert len(verifier._verified) == 2
