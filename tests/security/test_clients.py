"""The registry of systems: who can be registered, and with which keys."""

import asyncio
import json
from collections.abc import Awaitable, Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, TypeVar

import pytest
from joserfc.jwk import ECKey, RSAKey

from service.errors import InvalidInput, IssuerUnreachable, NotFound
from service.security.clients import Client, Clients
from service.security.principal import Principal
from service.security.roles import roles
from service.security.scopes import PLAIN, Scopes
from service.store.sqlite import SqliteStore

T = TypeVar("T")
KEY = ECKey.generate_key("P-384", auto_kid=True)
JWKS = {"keys": [KEY.as_dict(private=False)]}
OWN = "https://swallow.example.org/oauth"


@pytest.fixture
def run(tmp_path: Path) -> Callable[[Callable[[Clients], Awaitable[T]]], T]:
    """Run one work with the registry of a database; the next finds what it left."""

    def work(what: Callable[[Clients], Awaitable[T]]) -> T:
        async def all_of_it() -> T:
            store = SqliteStore(tmp_path / "store.sqlite", clock=lambda: datetime.now(UTC))
            try:
                return await what(Clients(lambda: store, lambda: 1_000, fetched))
            finally:
                await store.close()

        return asyncio.run(all_of_it())

    return work


async def fetched(url: str) -> bytes:
    if "away" in url:
        raise IssuerUnreachable("away")
    return json.dumps(JWKS).encode()


def client(**changes: Any) -> Client:
    return Client(**{"id": "lab", "role": "integrator", "scopes": "system/*.rs", "jwks": JWKS, **changes})


def test_a_client_is_found_as_it_was_registered(run: Any) -> None:
    run(lambda clients: clients.add(client()))
    assert run(lambda clients: clients.active("lab")) == client()
    assert run(lambda clients: clients.active("other")) is None
    with pytest.raises(InvalidInput, match="disable it first"):
        run(lambda clients: clients.add(client()))


def test_a_disabled_client_can_be_registered_anew(run: Any) -> None:
    run(lambda clients: clients.add(client()))
    run(lambda clients: clients.disable("lab"))
    assert run(lambda clients: clients.active("lab")) is None
    assert [one.disabled for one in run(lambda clients: clients.all())] == [True]
    run(lambda clients: clients.add(client(scopes="intake")))
    assert run(lambda clients: clients.active("lab")).scopes == "intake"
    with pytest.raises(NotFound, match="other"):
        run(lambda clients: clients.disable("other"))


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"id": "a b"}, "letters"),
        ({"id": ""}, "letters"),
        ({"id": "x" * 65}, "64"),
        ({"role": "clinician"}, "one of integrator"),
        ({"role": "anybody"}, "one of integrator"),
        ({"scopes": "user/*.rs"}, "not the role's"),
        ({"scopes": "system/*.rs nonsense"}, "not the role's"),
        ({"role": "researcher"}, "not the role's"),
        ({"role": "operator", "scopes": "operate audit-read"}, "not the role's"),
        ({"jwks": {"keys": [KEY.as_dict(private=True)]}}, "private key"),
        ({"jwks": {"keys": []}}, "needs a public key"),
        ({"jwks": {}}, "no JWK Set"),
        ({"jwks": None}, "no JWK Set"),
        ({"jwks": {"keys": ["x"]}}, "no JWK Set"),
        ({"jwks": {"keys": [ECKey.generate_key("P-384").as_dict(private=False)]}}, "'kid'"),
        (
            {"jwks": {"keys": [ECKey.generate_key("P-256", auto_kid=True).as_dict(private=False)]}},
            "P-384",
        ),
    ],
)
def test_what_keeps_a_client_from_being_registered_is_said(
    run: Any, changes: dict[str, Any], said: str
) -> None:
    with pytest.raises(InvalidInput) as refused:
        run(lambda clients: clients.add(client(**changes)))
    assert said in str(refused.value)
    assert run(lambda clients: clients.all()) == []


def test_an_rsa_key_will_do(run: Any) -> None:
    jwks = {"keys": [RSAKey.generate_key(2048, auto_kid=True).as_dict(private=False)]}
    run(lambda clients: clients.add(client(jwks=jwks)))


@pytest.mark.conformance("I6")
def test_keys_may_be_at_an_address(run: Any) -> None:
    url = "https://lab.example.org/jwks"
    run(lambda clients: clients.add(client(jwks=None, jwks_url=url)))
    (key,) = run(lambda clients: clients.keys(client(jwks=None, jwks_url=url), str(KEY.kid)))
    assert key.kid == KEY.kid
    with pytest.raises(IssuerUnreachable):
        run(lambda clients: clients.keys(client(jwks=None, jwks_url="https://away.example.org"), "x"))


def test_a_role_that_lost_a_scope_takes_it_from_its_clients() -> None:
    assert client(scopes="system/*.rs operate").rights == Scopes.parse("system/*.rs")
    assert client(role="gone").rights == Scopes()


def test_callers_are_refused_by_client_subject_or_number_of_their_token(run: Any) -> None:
    caller = Principal("ann", "https://login.example.org", Scopes(), "", 0, client="app")

    async def shut_out(clients: Clients, whom: str, hours: int) -> bool:
        await clients.refuse(caller.issuer, whom, 1_000 + hours * 3_600)
        return not await clients.admits(caller, "7", own=OWN)

    for whom in ("ann", "app", "7"):
        assert run(lambda clients, whom=whom: shut_out(clients, whom, 1))
        assert not run(lambda clients, whom=whom: shut_out(clients, whom, 0)), "taken back"
    assert not run(lambda clients: shut_out(clients, "somebody else", 1))
    assert not run(lambda clients: clients.admits(caller, "", own=caller.issuer)), "not registered here"


def test_roles_have_scopes_that_can_be_read() -> None:
    assert set(roles()) == {
        "integrator",
        "clinician",
        "emergency-clinician",
        "researcher",
        "auditor",
        "operator",
    }
    for role in roles().values():
        words = role.scopes.split()
        assert all(word in PLAIN or Scopes.parse(word).grants for word in words), role
    assert Scopes.parse(roles()["researcher"].scopes).grants == ()
