import asyncio
import base64
import hmac
import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from joserfc import jws
from joserfc.jwk import ECKey, RSAKey

from service.errors import Unauthenticated
from service.security.keys import GivenKeys, read_keys
from service.security.principal import Principal
from service.security.signed import SKEW_S, Key
from service.security.tokens import Issuer, TokenVerifier

NOW = 1_780_000_000.0
KEY = RSAKey.generate_key(2048, auto_kid=True)
OTHER = RSAKey.generate_key(2048, auto_kid=True)
CURVE = ECKey.generate_key("P-256", auto_kid=True)
ISSUER = Issuer("https://issuer.example.org", GivenKeys([KEY]), "https://fhir.example.org")

CLAIMS = {"iss": ISSUER.name, "aud": ISSUER.audience, "sub": "x", "iat": NOW, "exp": NOW + 600}


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


def refused(verifier: TokenVerifier, text: str) -> bool:
    try:
        verified(verifier, text)
    except Unauthenticated:
        return True
    return False


def token(key: Key = KEY, header: dict[str, Any] | None = None, **changes: Any) -> str:
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
    anything = jws.JWSRegistry(algorithms=[header["alg"]], strict_check_header=False)
    return jws.serialize_compact(header, json.dumps(claims), key, registry=anything)


def unsigned(header: dict[str, Any], claims: dict[str, Any]) -> str:
    parts = (base64.urlsafe_b64encode(json.dumps(part).encode()).rstrip(b"=") for part in (header, claims))
    return b".".join([*parts, b""]).decode()


def unencoded(claims: dict[str, Any]) -> str:
    """RFC 7797: the payload is signed as it stands, without base64."""
    header = {"alg": "RS256", "kid": KEY.kid, "b64": False, "crit": ["b64"]}
    return jws.serialize_compact(header, json.dumps(claims).replace(".", "_"), KEY, algorithms=["RS256"])


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
@pytest.mark.conformance("I2")
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
@pytest.mark.conformance("I2")
def test_other_algorithms_and_keys_are_refused(verifier: TokenVerifier) -> None:
    forged = {
        "none": unsigned({"alg": "none"}, CLAIMS),
        "none in other letters": unsigned({"alg": "nOnE"}, CLAIMS),
        "no signature": unsigned({"alg": "RS256"}, CLAIMS),
        "another key": token(OTHER),
        "another key by its own name": token(OTHER, {"kid": OTHER.kid}),
        "an algorithm the issuer may not use": token(KEY, {"alg": "RS512"}),
        "the public key as a secret": signed_with_the_public_key(CLAIMS),
        "a curve where RSA is meant": token(CURVE, {"alg": "ES256"}),
        "the key in the token": token(OTHER, {"jwk": OTHER.as_dict(private=False)}),
        "the key's address in the token": token(OTHER, {"jku": "https://stranger.example.org/jwks"}),
        "a certificate's address in the token": token(OTHER, {"x5u": "https://stranger.example.org/cert"}),
        "a name that is a path": token(OTHER, {"kid": "../../dev/null"}),
        "a name that is a statement": token(OTHER, {"kid": "' UNION SELECT 'x"}),
        "what must be understood": token(KEY, {"crit": ["kid"]}),
        "an unencoded payload": unencoded(CLAIMS),
    }
    believed = [what for what, text in forged.items() if not refused(verifier, text)]
    assert believed == []


@pytest.mark.conformance("I2")
@pytest.mark.parametrize("algorithm", ["RS256", "RS384", "PS256", "ES256", "ES384"])
def test_an_issuer_may_use_the_algorithms_it_is_listed_with(algorithm: str) -> None:
    keys = {"ES256": CURVE, "ES384": ECKey.generate_key("P-384", auto_kid=True)}
    key = keys.get(algorithm, KEY)
    issuer = Issuer(ISSUER.name, GivenKeys([OTHER, key]), ISSUER.audience, (algorithm,))
    text = token(key, {"alg": algorithm, "kid": key.kid})
    assert verified(TokenVerifier([issuer], lambda: NOW), text).subject == "someone"
    assert refused(TokenVerifier([issuer], lambda: NOW), token(header={"alg": "RS512"}))


def test_a_key_is_used_as_its_set_says() -> None:
    said = KEY.as_dict(private=False, alg="RS512")
    issuer = Issuer(ISSUER.name, GivenKeys(read_keys(json.dumps({"keys": [said]}).encode())), ISSUER.audience)
    assert refused(TokenVerifier([issuer], lambda: NOW), token())


def test_a_token_without_a_key_s_name_needs_the_key_to_be_the_only_one() -> None:
    text = token(header={"kid": ""})
    one, two = (Issuer(ISSUER.name, GivenKeys(keys), ISSUER.audience) for keys in ([KEY], [KEY, OTHER]))
    assert verified(TokenVerifier([one], lambda: NOW), text).subject == "someone"
    assert refused(TokenVerifier([two], lambda: NOW), text)


@pytest.mark.published("RFC 8725 section 3.11 and RFC 9068: a token made for something else is none")
def test_tokens_made_for_something_else_are_refused(verifier: TokenVerifier) -> None:
    for type_ in ("at+jwt", "application/at+jwt", "JWT"):
        assert verified(verifier, token(header={"typ": type_})).subject == "someone"
    for type_ in ("logout+jwt", "dpop+jwt", "secevent+jwt", "client-authentication+jwt"):
        assert refused(verifier, token(header={"typ": type_}))


def test_a_token_of_another_issuer_s_key_is_refused() -> None:
    other = Issuer("https://other.example.org", GivenKeys([OTHER]), ISSUER.audience)
    both = TokenVerifier([ISSUER, other], lambda: NOW)
    assert verified(both, token(OTHER, {"kid": OTHER.kid}, iss=other.name)).issuer == other.name
    assert refused(both, token(OTHER, {"kid": OTHER.kid}))
    assert refused(both, token(iss=other.name))


def test_a_very_long_token_is_refused(verifier: TokenVerifier) -> None:
    assert verified(verifier, token(note="x" * 3_000)).subject == "someone"
    assert refused(verifier, token(note="x" * 9_000))


@pytest.mark.conformance("I2")
def test_one_who_was_shut_out_is_refused_after_a_moment(clock: Clock) -> None:
    out: set[str] = set()

    async def admits(caller: Principal, id_: str) -> bool:
        return not {caller.client, id_} & out

    verifier = TokenVerifier([ISSUER], clock, remembered_s=5, admits=admits)
    texts = token(client_id="lab"), token(jti="7")
    for text, name in zip(texts, ("lab", "7"), strict=True):
        verified(verifier, text)
        out.add(name)
        clock.now += 4
        verified(verifier, text)
        clock.now += 1
        with pytest.raises(Unauthenticated, match="no longer accepted"):
            verified(verifier, text)


def test_a_changed_payload_is_refused(verifier: TokenVerifier) -> None:
    header, _, signature = token().split(".")
    payload = unsigned({}, CLAIMS | {"scope": "system/*.cruds"}).split(".")[1]
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
    monkeypatch.setattr("service.security.tokens.check_signature", None)  # would fail if used again
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
