import asyncio
import json
import stat
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from service.errors import ServiceError, Unauthenticated
from service.security.development_issuer import (
    KEY_FILE,
    TOKENS_FILE,
    VALID_S,
    DevelopmentIssuer,
    is_loopback,
    write_demo_tokens,
)
from service.security.principal import Principal
from service.security.roles import roles
from service.security.signed import SKEW_S, Key
from service.security.tokens import Issuer, TokenVerifier

NOW = 1_780_000_000.0


def verified(verifier: TokenVerifier, token: str) -> Principal:
    return asyncio.run(verifier.verify(token))


def published(issuer: Issuer) -> Sequence[Key]:
    return asyncio.run(issuer.keys.for_(""))


def mode(path: Path) -> int:
    return stat.S_IMODE(path.stat().st_mode)


def test_the_key_is_made_once_and_only_its_owner_can_read_it(tmp_path: Path) -> None:
    first = DevelopmentIssuer(tmp_path / "new").sign("someone", "intake", now=NOW)
    again = DevelopmentIssuer(tmp_path / "new").issuer()
    assert mode(tmp_path / "new" / KEY_FILE) == 0o600
    assert verified(TokenVerifier([again], lambda: NOW), first).subject == "someone"
    assert [path.name for path in (tmp_path / "new").iterdir()] == [KEY_FILE]


def test_a_verifier_never_gets_the_private_key(tmp_path: Path) -> None:
    (key,) = published(DevelopmentIssuer(tmp_path).issuer())
    assert not key.is_private


def test_processes_that_start_together_agree_on_one_key(tmp_path: Path) -> None:
    with ThreadPoolExecutor(4) as pool:
        issuers = list(pool.map(lambda _: DevelopmentIssuer(tmp_path).issuer(), range(4)))
    assert len({key.kid for issuer in issuers for key in published(issuer)}) == 1


def test_a_key_others_can_read_is_refused(tmp_path: Path) -> None:
    DevelopmentIssuer(tmp_path)
    (tmp_path / KEY_FILE).chmod(0o644)
    with pytest.raises(ServiceError, match="0600"):
        DevelopmentIssuer(tmp_path)


def test_the_demo_tokens_are_plain_strings_with_the_rights_of_each_reader(tmp_path: Path) -> None:
    write_demo_tokens(tmp_path, now=NOW - 60, clinician="Practitioner/0")
    written = write_demo_tokens(tmp_path, now=NOW, clinician="Practitioner/1")
    assert mode(tmp_path / TOKENS_FILE) == 0o600
    assert json.loads((tmp_path / TOKENS_FILE).read_bytes()) == written
    verifier = TokenVerifier([DevelopmentIssuer(tmp_path).issuer()], lambda: NOW)
    readers = {name: verified(verifier, token) for name, token in written.items()}
    rights = {name: principal.scopes for name, principal in readers.items()}
    assert sorted(readers) == sorted(roles())
    assert rights["integrator"].grant("Patient.cruds")
    assert rights["integrator"].grant("intake")
    assert not rights["integrator"].grant("research-export")
    assert rights["clinician"].grant("Goal.rs")
    assert not rights["clinician"].grant("Goal.u")
    assert rights["clinician"].grant("goal-decisions")
    assert readers["clinician"].fhir_user == "Practitioner/1"
    assert rights["researcher"].grant("research-export")
    assert not rights["researcher"].grant("*.cruds")


def test_a_token_lives_eight_hours(tmp_path: Path) -> None:
    issuer = DevelopmentIssuer(tmp_path)
    token = issuer.sign("someone", "intake", now=NOW)
    assert VALID_S == 8 * 3600
    verified(TokenVerifier([issuer.issuer()], lambda: NOW + VALID_S - 1), token)
    with pytest.raises(Unauthenticated, match="expired"):
        verified(TokenVerifier([issuer.issuer()], lambda: NOW + VALID_S + SKEW_S), token)


def test_another_folder_s_token_is_refused(tmp_path: Path) -> None:
    token = DevelopmentIssuer(tmp_path / "one").sign("someone", "intake", now=NOW)
    verifier = TokenVerifier([DevelopmentIssuer(tmp_path / "two").issuer()], lambda: NOW)
    with pytest.raises(Unauthenticated):
        verified(verifier, token)


@pytest.mark.parametrize("host", ["127.0.0.1", "127.8.8.8", "::1", "localhost"])
def test_loopback_addresses(host: str) -> None:
    assert is_loopback(host)


@pytest.mark.parametrize("host", ["0.0.0.0", "::", "192.168.1.4", "example.org", "", "localhost.example.org"])  # noqa: S104 - refused
def test_addresses_others_can_reach(host: str) -> None:
    assert not is_loopback(host)
