"""What a provider says of itself: its addresses, and what it can do.

Sources: OpenID Connect Discovery 1.0 sections 3 and 4; SMART App Launch 2.2, conformance.html; RFC 9207.
"""

import asyncio
import logging
from collections.abc import Callable
from typing import Any, Protocol

import msgspec

from service.errors import IssuerUnreachable
from service.security.client_proof import Login
from service.security.keys import FetchedKeys
from service.security.providers import Provider
from service.security.trusted_issuers import is_safe

__all__ = ["Known", "Metadata", "Remote"]

_log = logging.getLogger("service.security")
FRESH_S = 600
PAUSE_S = 10
"""Between two attempts, since strangers may begin to sign in as often as they like."""


class Remote(Protocol):
    """Asks other servers; IssuerUnreachable where there is no answer that is a success."""

    async def get(self, url: str, token: str = "") -> bytes:
        """Answer what is at an address, asked for with an access token if there is one."""
        ...

    async def post(self, url: str, form: dict[str, str], login: Login) -> bytes:
        """Answer what a form is answered with."""
        ...


class Known(msgspec.Struct, frozen=True):
    """A provider's own words, by the names the standards give them."""

    issuer: str
    authorization_endpoint: str
    token_endpoint: str
    jwks_uri: str
    end_session_endpoint: str = ""
    authorization_response_iss_parameter_supported: bool = False
    code_challenge_methods_supported: tuple[str, ...] = ("S256",)
    token_endpoint_auth_methods_supported: tuple[str, ...] = ()
    capabilities: tuple[str, ...] = ()


class Metadata:
    """The metadata and keys of one provider, fetched when they are needed and kept for ten minutes."""

    def __init__(self, provider: Provider, remote: Remote, now: Callable[[], float]) -> None:
        """``now`` answers seconds."""
        self._provider, self._remote, self._now = provider, remote, now
        self._known: Known | None = None
        self._keys: FetchedKeys | None = None
        self._fetched = self._tried = float("-inf")
        self._lock = asyncio.Lock()

    async def known(self) -> Known:
        """Answer the metadata; IssuerUnreachable if it can't be had, or can't be relied on."""
        async with self._lock:
            if self._now() - self._fetched >= FRESH_S and self._now() - self._tried >= PAUSE_S:
                await self._fetch()
        if self._known is None or self._now() - self._fetched >= FRESH_S:
            raise IssuerUnreachable(f"'{self._provider.name}' can't be reached now; try again.")
        return self._known

    async def keys(self) -> FetchedKeys:
        """Answer the keys that its ID tokens are signed with."""
        url = (await self.known()).jwks_uri
        if self._keys is None or self._keys.url != url:
            self._keys = FetchedKeys(url, self._remote.get, self._now)
        return self._keys

    async def _fetch(self) -> None:
        self._tried = self._now()
        try:
            self._known = self._read(await self._documents())
            self._fetched = self._now()
        except (IssuerUnreachable, ValueError) as error:
            _log.warning("The metadata of %s can't be used: %s", self._provider.id, error)

    async def _documents(self) -> dict[str, Any]:
        """A record tells its addresses at its FHIR base, and its keys there or as any provider does."""
        one = self._provider
        at_base = await self._document(f"{one.fhir.rstrip('/')}/.well-known/smart-configuration")
        if at_base.get("jwks_uri"):
            return at_base
        return await self._document(f"{one.issuer.rstrip('/')}/.well-known/openid-configuration") | at_base

    async def _document(self, url: str) -> dict[str, Any]:
        if url.startswith("/"):  # a provider without a record
            return {}
        return msgspec.json.decode(await self._remote.get(url), type=dict[str, Any])

    def _read(self, said: dict[str, Any]) -> Known:
        known = msgspec.convert(said, Known)
        if known.issuer != self._provider.issuer:  # Discovery 4.3: another's metadata
            raise ValueError("it names another issuer")
        addresses = (known.authorization_endpoint, known.token_endpoint, known.jwks_uri)
        if not all(map(is_safe, addresses)) or (
            known.end_session_endpoint and not is_safe(known.end_session_endpoint)
        ):
            raise ValueError("an address of it is not one of https")
        if "S256" not in known.code_challenge_methods_supported:
            raise ValueError("it does not take the challenge method S256")
        return known
