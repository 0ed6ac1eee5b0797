"""Sessions of people who signed in elsewhere: access tokens of our own, believed as every other.

Each provider's are of an issuer of their own, so that whom two providers call alike stay two people, and
nobody of a provider that is no longer listed is believed.
"""

import secrets
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, replace

from joserfc import jwt

from service.security.clients import Clients
from service.security.signed import SKEW_S, NotBelieved, read
from service.security.signing_keys import ALGORITHM, SigningKeys
from service.security.tokens import Issuer

__all__ = ["Person", "Sessions"]


@dataclass(frozen=True, slots=True)
class Person:
    """Whom a session is of: ``subject`` at the provider, what to call them, and their reference here."""

    provider: str
    subject: str
    name: str
    scopes: str
    fhir_user: str = ""


class Sessions:
    """Opens and ends sessions."""

    def __init__(self, own: Issuer, keys: SigningKeys, clients: Clients, now: Callable[[], float]) -> None:
        """``own`` is the issuer of our other tokens; ``now`` answers seconds since 1970."""
        self._own, self._keys, self._clients, self._now = own, keys, clients, now

    def issuer(self, provider: str) -> Issuer:
        """Answer the issuer of the sessions of a provider's people."""
        return replace(self._own, name=f"{self._own.name}/{provider}")

    async def token(self, person: Person, expires: float) -> str:
        """Answer the token of a new session, good until a time in seconds since 1970."""
        key, issuer = await self._keys.signing(), self.issuer(person.provider)
        claims = {
            "iss": issuer.name,
            "aud": issuer.audience,
            "sub": person.subject,
            "name": person.name,
            "scope": person.scopes,
            "fhirUser": person.fhir_user,
            "iat": int(self._now()),
            "exp": int(expires),
            "jti": secrets.token_hex(16),
        }
        header = {"alg": ALGORITHM, "typ": "at+jwt", "kid": key.kid}
        return jwt.encode(header, claims, key, algorithms=[ALGORITHM])

    async def end(self, token: str) -> str:
        """Let a token that was verified be worth nothing from now on, and answer the provider it came by.

        Empty, and nothing is done, for a token that is no session's: it is its holder's elsewhere too.
        """
        with suppress(NotBelieved):
            claims = read(token).claims
            issuer, _, provider = str(claims.get("iss")).rpartition("/")
            if issuer == self._own.name:
                until = int(claims["exp"]) + SKEW_S + 1
                await self._clients.refuse(str(claims["iss"]), str(claims["jti"]), until)
                return provider
        return ""
