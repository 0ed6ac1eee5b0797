"""Access tokens for registered systems: SMART backend services.

Sources: SMART App Launch 2.2, backend-services.html and client-confidential-asymmetric.html; RFC 6749
sections 4.4 and 5, RFC 7523 section 3.
"""

import hashlib
import secrets
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from joserfc import jwt
from joserfc.errors import JoseError

from service.errors import IssuerUnreachable, TokenNotGranted
from service.security.clients import ASSERTED_BY, Client, Clients
from service.security.scopes import Scopes
from service.security.signed import SKEW_S, NotBelieved, Signed, check_signature, check_times, read
from service.security.signing_keys import ALGORITHM, SigningKeys
from service.security.tokens import Issuer
from service.store.entries import Entries, Entry

__all__ = ["ASSERTION_TYPE", "VALID_S", "Granted", "TokenService", "own_name"]

VALID_S = 300
"""How long a token is good, and the longest that an assertion may be."""
ASSERTION_TYPE = "urn:ietf:params:oauth:client-assertion-type:jwt-bearer"
_NOWHERE = "https://swallow-interop.example.org"
_TIDY_S = 60.0
_NOT_PROVEN = "The client assertion does not prove who is asking."


@dataclass(frozen=True, slots=True)
class Granted:
    """A token, what it allows, and to whom it was issued."""

    token: str
    scope: str
    client: str


def own_name(address: str) -> str:
    """What the issuer of our tokens is called, by the service's address (empty: not known)."""
    return f"{_root(address)}/oauth"


def _root(address: str) -> str:
    return address.rstrip("/") or _NOWHERE


class TokenService:
    """Issues tokens that live for five minutes, and is the issuer that verifies them."""

    def __init__(
        self,
        address: str,
        clients: Clients,
        keys: SigningKeys,
        entries: Callable[[], Entries],
        now: Callable[[], float],
    ) -> None:
        """``address`` is the service's (empty: not known); ``now`` answers seconds since 1970."""
        self.issuer = Issuer(own_name(address), keys, f"{_root(address)}/fhir", (ALGORITHM,))
        self.keys = keys
        self._clients, self._entries, self._now = clients, entries, now
        self._tidied = 0.0

    async def grant(self, form: Mapping[str, str], address: str) -> Granted:
        """Answer a token for a request that came to ``address``; TokenNotGranted says why not."""
        if form.get("grant_type") != "client_credentials":
            raise TokenNotGranted("grant_type must be client_credentials.", "unsupported_grant_type")
        if form.get("client_assertion_type") != ASSERTION_TYPE or not form.get("client_assertion"):
            text = f"Send client_assertion, and client_assertion_type={ASSERTION_TYPE}."
            raise TokenNotGranted(text, "invalid_request")
        client = await self._client(form["client_assertion"], address)
        if form.get("client_id", client.id) != client.id:
            raise TokenNotGranted("client_id is not the one of the assertion.", "invalid_client")
        return await self._issued(client, _scope(client.rights, form.get("scope", "")))

    async def _client(self, assertion: str, address: str) -> Client:
        """The client that an assertion proves."""
        try:
            signed = read(assertion)
            client = await self._proven(signed, address)
        except IssuerUnreachable:
            text = "The client's keys can't be fetched from its address."
            raise TokenNotGranted(text, "invalid_client") from None
        except (NotBelieved, JoseError, ValueError, TypeError):
            raise TokenNotGranted(_NOT_PROVEN, "invalid_client") from None
        await self._use(signed, client)
        return client

    async def _proven(self, signed: Signed, address: str) -> Client:
        client = await self._clients.active(str(signed.claims.get("sub")))
        if client is None or signed.jku not in {"", client.jwks_url} or not signed.key:
            raise NotBelieved
        check_signature(signed, await self._clients.keys(client, signed.key), ASSERTED_BY)
        self._check(signed, client, address)
        return client

    def _check(self, signed: Signed, client: Client, address: str) -> None:
        own = {"essential": True, "value": client.id}
        wanted = {"iss": own, "sub": own, "aud": {"essential": True, "value": address}}
        essential = {name: {"essential": True} for name in ("exp", "jti")}
        check_times(signed.claims, self._now(), **wanted, **essential)
        if signed.claims["exp"] > self._now() + VALID_S + SKEW_S:
            raise NotBelieved

    async def _use(self, signed: Signed, client: Client) -> None:
        """An assertion is good once, whichever process it is sent to."""
        if self._now() - self._tidied >= _TIDY_S:
            self._tidied = self._now()
            await self._entries().forget(int(self._tidied) - SKEW_S)
        name = hashlib.sha256(f"{client.id} {signed.claims['jti']}".encode()).hexdigest()
        expires = int(signed.claims["exp"]) + SKEW_S
        if not await self._entries().enter(Entry("assertion", name, expires), once=True):
            raise TokenNotGranted("This client assertion was used before; make a new one.", "invalid_client")

    async def _issued(self, client: Client, scope: str) -> Granted:
        key, now = await self.keys.signing(), int(self._now())
        claims = {
            "iss": self.issuer.name,
            "aud": self.issuer.audience,
            "sub": client.id,
            "client_id": client.id,
            "scope": scope,
            "iat": now,
            "exp": now + VALID_S,
            "jti": secrets.token_hex(16),
        }
        header = {"alg": ALGORITHM, "typ": "at+jwt", "kid": key.kid}
        return Granted(jwt.encode(header, claims, key, algorithms=[ALGORITHM]), scope, client.id)


def _scope(rights: Scopes, asked: str) -> str:
    """What is granted of what was asked: every scope that lies whole within the client's rights."""
    words = [word for word in dict.fromkeys(asked.split()) if rights.cover(word)]
    if not words:
        raise TokenNotGranted("None of the scopes asked for is one that this client has.", "invalid_scope")
    return " ".join(words)
