"""The list of places to sign in: what is taken, and that every problem of it is told at once."""

import json
from pathlib import Path
from typing import Any

import msgspec
import pytest
from click.testing import CliRunner
from joserfc.jwk import ECKey, RSAKey

from service.cli import main
from service.errors import ServiceError
from service.security.client_proof import Public, Secret, read_private_key
from service.security.providers import Provider, read_providers

ROLE = {"claim": "groups", "value": "therapists", "role": "clinician"}
PLAIN = {
    "id": "login",
    "name": "Login",
    "issuer": "https://a.example.org",
    "client_id": "swallow",
    "roles": [ROLE],
}
RECORD = PLAIN | {
    "id": "record",
    "fhir": "https://a.example.org/fhir",
    "patient_systems": ["https://clinic.example.org/patients"],
    "person_systems": ["https://clinic.example.org/staff"],
    "private_key_file": "key.json",
}


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    keys = {
        "key": ECKey.generate_key("P-384", auto_kid=True).as_dict(private=True),
        "rsa": RSAKey.generate_key(2048, auto_kid=True).as_dict(private=True),
        "public": ECKey.generate_key("P-384", auto_kid=True).as_dict(private=False),
        "curve": ECKey.generate_key("P-256", auto_kid=True).as_dict(private=True),
        "nameless": ECKey.generate_key("P-384").as_dict(private=True),
        "symmetric": {"kty": "oct", "k": "AAAA", "kid": "1"},
    }
    for name, key in keys.items():
        (tmp_path / f"{name}.json").write_text(json.dumps(key))
    (tmp_path / "secret").write_text("a secret\n")
    return tmp_path


def listed(folder: Path, *entries: Any) -> Path:
    path = folder / "providers.json"
    path.write_text(json.dumps(entries))
    return path


def test_each_kind_of_provider(folder: Path) -> None:
    secret = PLAIN | {"id": "secret", "client_secret_file": "secret"}
    rsa = PLAIN | {"id": "rsa", "private_key_file": "rsa.json"}
    found = read_providers(listed(folder, PLAIN, RECORD, secret, rsa))
    assert [one.id for one in found] == ["login", "record", "secret", "rsa"]


@pytest.mark.parametrize(
    ("entry", "said"),
    [
        (PLAIN | {"id": "A b"}, "'id'"),
        (PLAIN | {"id": ""}, "'id'"),
        (PLAIN | {"name": ""}, "'name'"),
        (PLAIN | {"client_id": ""}, "'client_id'"),
        (PLAIN | {"issuer": "http://a.example.org"}, "https://"),
        (PLAIN | {"issuer": ""}, "https://"),
        (RECORD | {"fhir": "ftp://a.example.org"}, "https://"),
        (RECORD | {"patient_systems": []}, "go together"),
        (PLAIN | {"patient_systems": ["x"]}, "go together"),
        (RECORD | {"person_systems": []}, "needs 'person_systems'"),
        (PLAIN | {"algorithms": ["HS256"]}, "HS256 can't be taken"),
        (PLAIN | {"algorithms": ["none"]}, "none can't be taken"),
        (PLAIN | {"session_minutes": 0}, "session_minutes"),
        (PLAIN | {"session_minutes": 721}, "session_minutes"),
        (PLAIN | {"roles": []}, "nobody gets in"),
        (PLAIN | {"roles": [ROLE | {"claim": ""}]}, "'claim'"),
        (PLAIN | {"roles": [ROLE | {"role": "integrator"}]}, "'integrator' is no role of a person"),
        (PLAIN | {"roles": [ROLE | {"role": "anybody"}]}, "no role of a person"),
        (PLAIN | {"client_secret_file": "absent"}, "no absent"),
        (RECORD | {"client_secret_file": "secret"}, "not both"),
        *(
            (RECORD | {"private_key_file": name}, "no private key")
            for name in ("absent", "secret", "public.json", "curve.json", "nameless.json", "symmetric.json")
        ),
    ],
    ids=str,
)
def test_what_can_not_be_used_is_said(folder: Path, entry: Any, said: str) -> None:
    with pytest.raises(ServiceError) as refused:
        read_providers(listed(folder, PLAIN | {"id": "other"}, entry))
    assert said in str(refused.value)
    assert all("/1" in str(issue.place) for issue in refused.value.issues)


@pytest.mark.parametrize(
    "entries",
    [[PLAIN, PLAIN], [RECORD, RECORD | {"id": "x"}], [{"id": 1}], [PLAIN | {"x": 1}], [PLAIN | {"roles": 1}]],
    ids=str,
)
def test_lists_that_contradict_themselves_are_refused(folder: Path, entries: list[Any]) -> None:
    with pytest.raises(ServiceError):
        read_providers(listed(folder, *entries))


def test_every_problem_is_told_at_once(folder: Path) -> None:
    with pytest.raises(ServiceError) as refused:
        read_providers(listed(folder, PLAIN | {"name": "", "roles": []}, RECORD | {"algorithms": ["HS256"]}))
    assert len(refused.value.issues) == 3
    with pytest.raises(ServiceError, match="SWALLOW_PROVIDERS"):
        read_providers(folder / "absent.json")


def test_a_key_that_the_command_makes_can_be_used(folder: Path) -> None:
    path = folder / "new.json"
    printed = CliRunner().invoke(main, ["keys", "new", str(path)])
    (public,) = json.loads(printed.output)["keys"]
    assert "d" not in public
    assert public["kid"] == read_private_key(path).kid
    assert path.stat().st_mode & 0o777 == 0o600
    assert "is there already" in CliRunner().invoke(main, ["keys", "new", str(path)]).output


@pytest.mark.parametrize(
    ("said", "role"),
    [
        ("therapists", "clinician"),
        (["x", "therapists"], "clinician"),
        (["therapists", "on-call"], "emergency-clinician"),
        ("therapists and others", ""),
        ([], ""),
        (None, ""),
        ({"therapists": True}, ""),
        ([["therapists"]], ""),
    ],
    ids=str,
)
def test_the_first_role_that_holds_counts(said: Any, role: str) -> None:
    on_call = ROLE | {"value": "on-call", "role": "emergency-clinician"}
    entry = json.dumps(PLAIN | {"roles": [on_call, ROLE]})
    provider = msgspec.json.decode(entry, type=Provider)
    assert provider.role({"groups": said} if said is not None else {}) == role


def test_a_secret_goes_by_the_way_that_is_taken() -> None:
    secret = Secret("swallow", "a: b")
    assert secret.fields("x", ()) == ({}, ("swallow", "a%3A+b"))
    assert secret.fields("x", ("client_secret_post", "client_secret_basic"))[1]
    form, login = secret.fields("x", ("client_secret_post",))
    assert (form, login) == ({"client_id": "swallow", "client_secret": "a: b"}, None)
    assert Public("swallow").fields("x", ()) == ({"client_id": "swallow"}, None)
