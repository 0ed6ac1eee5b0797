"""Systems that may fetch access tokens here, and callers that are refused whoever issued their token."""

import re
from collections.abc import Callable, Sequence
from typing import Any

import msgspec

from service.errors import InvalidInput, NotFound
from service.security.keys import FetchedKeys, Get, read_keys
from service.security.principal import Principal
from service.security.roles import roles
from service.security.scopes import Scopes
from service.security.signed import ALGORITHMS, Key, kind_of
from service.store.entries import Entries, Entry

__all__ = ["ASSERTED_BY", "Client", "Clients"]

ASSERTED_BY = ("RS384", "ES384")
"""How clients sign what they assert (SMART App Launch 2.2, client-confidential-asymmetric.html)."""
_ID = re.compile(r"[A-Za-z0-9._~-]{1,64}")
_PRIVATE = frozenset({"d", "k"})


class Client(msgspec.Struct, frozen=True):
    """A registered system.

    ``scopes`` are what it may ask for, a part of its role's. Its public keys are given (``jwks``, a JWK Set)
    or at an address (``jwks_url``). ``added`` is an instant.
    """

    id: str
    role: str
    scopes: str
    jwks: dict[str, Any] | None = None
    jwks_url: str = ""
    added: str = ""
    disabled: bool = False

    @property
    def rights(self) -> Scopes:
        """What it may be granted: its scopes, as far as its role has them today."""
        role = roles().get(self.role)
        return Scopes.parse(self.scopes).within(Scopes.parse(role.scopes if role else ""))


class Clients:
    """The registry, the same for every process that works with the database."""

    def __init__(
        self, entries: Callable[[], Entries], now: Callable[[], float], get: Get, *, known_s: float = 0
    ) -> None:
        """What was read is relied on for ``known_s`` seconds; ``now``: seconds; ``get`` fetches keys."""
        self._entries, self._now, self._get, self._known_s = entries, now, get, known_s
        self._fetched: dict[str, FetchedKeys] = {}
        self._read = float("-inf")
        self._active: frozenset[str] = frozenset()
        self._refused: frozenset[str] = frozenset()

    async def all(self) -> list[Client]:
        """Answer every client, by id."""
        return [_client(entry) for entry in await self._entries().entries("client")]

    async def active(self, id_: str) -> Client | None:
        """Answer a client as it is registered at this moment; None if there is none, or it is disabled."""
        return next((one for one in await self.all() if one.id == id_ and not one.disabled), None)

    async def keys(self, client: Client, kid: str) -> Sequence[Key]:
        """Answer a client's keys; those of ``kid`` are among them. IssuerUnreachable if they can't be had."""
        url = client.jwks_url
        if not url:
            return read_keys(msgspec.json.encode(client.jwks))
        return await self._fetched.setdefault(url, FetchedKeys(url, self._get, self._now)).for_(kid)

    async def add(self, client: Client) -> None:
        """Register a client; InvalidInput names what keeps it from that."""
        if problem := await self._problem(client):
            raise InvalidInput(problem)
        await self._keep(client)

    async def disable(self, id_: str) -> None:
        """Refuse a client new tokens at once, and those it has within SWALLOW_REVOCATION_SECONDS."""
        found = next((one for one in await self.all() if one.id == id_), None)
        if found is None:
            raise NotFound(f"There is no client {id_}; 'client list' names those there are.")
        await self._keep(msgspec.structs.replace(found, disabled=True))

    async def refuse(self, issuer: str, whom: str, until: int) -> None:
        """Refuse tokens of an issuer by their client, subject or ``jti``, until a time in seconds.

        Here at once, in other processes within SWALLOW_REVOCATION_SECONDS.
        """
        await self._entries().enter(Entry("refusal", _refusal(issuer, whom), until))
        self._read = float("-inf")

    async def admits(self, caller: Principal, id_: str, *, own: str) -> bool:
        """See Admits; ``own`` is the issuer of the tokens that clients fetch here."""
        if not 0 <= self._now() - self._read < self._known_s:  # clocks may be set back
            await self._look()
        if caller.issuer == own and caller.client not in self._active:
            return False
        names = (caller.client, caller.subject, id_)
        return not any(_refusal(caller.issuer, name) in self._refused for name in names if name)

    async def _look(self) -> None:
        now = self._now()
        refusals = await self._entries().entries("refusal")
        self._active = frozenset(one.id for one in await self.all() if not one.disabled)
        self._refused = frozenset(one.name for one in refusals if one.expires > now)
        self._read = now

    async def _keep(self, client: Client) -> None:
        await self._entries().enter(Entry("client", client.id, 0, msgspec.json.encode(client).decode()))

    async def _problem(self, client: Client) -> str:
        role = roles().get(client.role)
        if not _ID.fullmatch(client.id):
            return "A client's id has letters, digits and . _ ~ - only, 64 at most."
        if await self.active(client.id):
            return f"There is a client {client.id}; disable it first, or take another id."
        if role is None or role.personal:
            named = ", ".join(name for name, one in roles().items() if not one.personal)
            return f"A system's role is one of {named}."
        if not Scopes.parse(role.scopes).cover(client.scopes):
            return f"Some of these scopes are not the role's, which has: {role.scopes}."
        return _problem_of_keys(client)


def _problem_of_keys(client: Client) -> str:
    if client.jwks_url:
        return ""
    try:
        keys = read_keys(msgspec.json.encode(client.jwks))
    except ValueError:
        return "The keys are no JWK Set."
    if any(_PRIVATE & key.keys() for key in (client.jwks or {})["keys"]):
        return "The key set holds a private key: register public ones only, and keep that one to yourself."
    kinds = {ALGORITHMS[name] for name in ASSERTED_BY}
    if not any(key.kid and kind_of(key) in kinds for key in keys):
        return "The key set needs a public key with a 'kid': RSA of 2048 bits or more, or on the curve P-384."
    return ""


def _client(entry: Entry) -> Client:
    return msgspec.json.decode(entry.content, type=Client)


def _refusal(issuer: str, whom: str) -> str:
    return f"{issuer} {whom}"
