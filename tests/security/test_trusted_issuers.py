"""The list of trusted issuers: what is taken, and that every problem of it is told at once."""

import asyncio
import json
from pathlib import Path
from typing import Any

import pytest
from joserfc.jwk import OctKey, RSAKey

from service.errors import ServiceError
from service.security.development_issuer import NAME as DEVELOPMENT
from service.security.introspection import Introspection
from service.security.token_service import own_name
from service.security.tokens import Believed, Issuer
from service.security.trusted_issuers import read_issuers, trusted

OWN = own_name("https://swallow.example.org/")
KEY = RSAKey.generate_key(2048, auto_kid=True)
SIGNS = {"issuer": "https://a.example.org", "audience": "https://fhir.example.org", "jwks": "keys.json"}
FETCHED = SIGNS | {"issuer": "https://b.example.org", "jwks": "https://b.example.org/jwks"}
ASKED = {
    "issuer": "https://c.example.org",
    "audience": "https://fhir.example.org",
    "introspection": "https://c.example.org/introspect",
    "client_id": "swallow",
    "client_secret_file": "secret",
}


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "keys.json").write_text(json.dumps({"keys": [KEY.as_dict(private=False)]}))
    (tmp_path / "secret").write_text("a secret\n")
    (tmp_path / "symmetric.json").write_text(json.dumps({"keys": [OctKey.generate_key().as_dict()]}))
    return tmp_path


def listed(folder: Path, *entries: Any) -> Path:
    path = folder / "issuers.json"
    path.write_text(json.dumps(entries))
    return path


async def never(*_: object) -> bytes:
    raise AssertionError("nothing is fetched before a token asks for it")


def made(path: Path) -> list[Believed]:
    return trusted(read_issuers(path, OWN), path.parent, get=never, post=never, now=lambda: 0)


def test_each_kind_of_issuer(folder: Path) -> None:
    signs, fetched, asked = made(listed(folder, SIGNS, FETCHED | {"algorithms": ["ES384"]}, ASKED))
    assert isinstance(signs, Issuer)
    assert [key.kid for key in asyncio.run(signs.keys.for_(""))] == [KEY.kid]
    assert isinstance(fetched, Issuer)
    assert fetched.algorithms == ("ES384",)
    assert isinstance(asked, Introspection)
    assert asked.login == ("swallow", "a secret")
    assert "a secret" not in repr(asked)


@pytest.mark.parametrize(
    ("entry", "said"),
    [
        (SIGNS | {"algorithms": ["HS256"]}, "HS256 can't be taken"),
        (SIGNS | {"algorithms": ["none"]}, "none can't be taken"),
        (SIGNS | {"jwks": "symmetric.json"}, "no public key"),
        (SIGNS | {"jwks": "absent.json"}, "no file with a JWK Set"),
        (SIGNS | {"jwks": "secret"}, "no file with a JWK Set"),
        (SIGNS | {"jwks": ""}, "either 'jwks' or 'introspection'"),
        (SIGNS | {"audience": ""}, "'issuer' and 'audience'"),
        (FETCHED | {"jwks": "http://b.example.org/jwks"}, "https://"),
        (SIGNS | {"introspection": "https://c.example.org"}, "not both"),
        (ASKED | {"introspection": "http://c.example.org"}, "https://"),
        (ASKED | {"client_secret_file": "absent"}, "no absent"),
        (ASKED | {"client_id": ""}, "'client_id'"),
        (FETCHED | {"issuer": OWN}, "its own issuer"),
        (FETCHED | {"issuer": f"{OWN}/"}, "its own issuer"),
        (FETCHED | {"issuer": f"{OWN}/login"}, "its own issuer"),
        (ASKED | {"issuer": DEVELOPMENT}, "its own issuer"),
    ],
    ids=str,
)
def test_what_can_not_be_used_is_said(folder: Path, entry: Any, said: str) -> None:
    with pytest.raises(ServiceError) as refused:
        read_issuers(listed(folder, SIGNS | {"issuer": "https://z.example.org"}, entry), OWN)
    assert said in str(refused.value)
    assert all("/1" in str(issue.place) for issue in refused.value.issues)


@pytest.mark.parametrize(
    "entries",
    [
        [SIGNS, SIGNS],
        [ASKED, ASKED | {"issuer": "https://d.example.org"}],
        [{"issuer": 1}],
        [SIGNS | {"x": 1}],
    ],
)
def test_lists_that_contradict_themselves_are_refused(folder: Path, entries: list[Any]) -> None:
    with pytest.raises(ServiceError):
        read_issuers(listed(folder, *entries), OWN)


def test_every_problem_is_told_at_once(folder: Path) -> None:
    with pytest.raises(ServiceError) as refused:
        read_issuers(
            listed(folder, SIGNS | {"algorithms": ["HS256"], "audience": ""}, ASKED | {"client_id": ""}),
            OWN,
        )
    assert len(refused.value.issues) == 3


def test_a_list_that_is_not_there_is_said(tmp_path: Path) -> None:
    with pytest.raises(ServiceError, match="SWALLOW_ISSUERS"):
        read_issuers(tmp_path / "absent.json", OWN)
