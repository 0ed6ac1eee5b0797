"""From the text of an access token to the Principal it proves: RFC 7519, checked as RFC 8725 advises."""

import hashlib
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

import msgspec
from joserfc import jws, jwt
from joserfc.errors import ExpiredTokenError, JoseError
from joserfc.jwk import KeySet

from service.errors import Unauthenticated
from service.security.principal import Principal
from service.security.scopes import Scopes

__all__ = ["ALGORITHMS", "SKEW_S", "Issuer", "TokenVerifier"]

ALGORITHMS = ("RS256",)
SKEW_S = 30
_LONGEST = 8_192
_REMEMBERED = 10_000
_NOT_BELIEVED = (
    "The access token can't be believed: it is malformed, or not from an issuer this service trusts."
)


@dataclass(frozen=True, slots=True)
class Issuer:
    """Someone whose tokens are believed: its ``iss`` name, its public keys, and the ``aud`` it must write."""

    name: str
    keys: KeySet
    audience: str


class TokenVerifier:
    """Verifies access tokens; one that was verified is remembered by its hash until it expires."""

    def __init__(self, issuers: Iterable[Issuer], now: Callable[[], float]) -> None:
        """Trust ``issuers``; ``now`` answers seconds since 1970."""
        self._issuers = {issuer.name: issuer for issuer in issuers}
        self._now = now
        self._verified: dict[bytes, Principal] = {}

    async def verify(self, token: str) -> Principal:
        """Answer the caller, or raise Unauthenticated with a sentence that does not repeat the token."""
        digest = hashlib.sha256(token.encode("utf-8", "surrogatepass")).digest()
        known = self._verified.get(digest)
        if known is not None and known.expires > self._now() - SKEW_S:
            return known
        self._verified.pop(digest, None)
        principal = self._check(token)
        self._remember(digest, principal)
        return principal

    def _check(self, token: str) -> Principal:
        if len(token) > _LONGEST:
            raise Unauthenticated(_NOT_BELIEVED)
        try:
            return self._principal(token)
        except ExpiredTokenError:
            raise Unauthenticated("The access token has expired; fetch a new one.") from None
        except (JoseError, ValueError, TypeError, KeyError, RecursionError):
            # whatever the text holds the answer is the same, and a cause would quote the token
            raise Unauthenticated(_NOT_BELIEVED) from None

    def _principal(self, token: str) -> Principal:
        signed = jws.extract_compact(token.encode("ascii"))
        claims = msgspec.json.decode(signed.payload, type=dict[str, Any])
        # what the token claims of itself only chooses the keys; they decide whether any of it is true
        issuer = self._issuers[claims["iss"]]
        if not jws.validate_compact(signed, issuer.keys, ALGORITHMS):
            raise Unauthenticated(_NOT_BELIEVED)
        self._validate(claims, issuer)
        patient = _text(claims, "patient").removeprefix("Patient/")
        return Principal(
            subject=claims["sub"],
            issuer=issuer.name,
            scopes=Scopes.parse(_text(claims, "scope"), patient=bool(patient)),
            fhir_user=_text(claims, "fhirUser"),
            expires=float(claims["exp"]),
            patient=patient,
            client=_text(claims, "client_id") or _text(claims, "azp"),
            purpose=_text(claims, "purpose_of_use"),
        )

    def _validate(self, claims: dict[str, Any], issuer: Issuer) -> None:
        jwt.JWTClaimsRegistry(
            now=int(self._now()),
            leeway=SKEW_S,
            aud={"essential": True, "value": issuer.audience},
            sub={"essential": True},
            exp={"essential": True},
            iat={"essential": True},
        ).validate(claims)

    def _remember(self, digest: bytes, principal: Principal) -> None:
        if len(self._verified) >= _REMEMBERED:
            self._verified.pop(next(iter(self._verified)))
        self._verified[digest] = principal


def _text(claims: dict[str, Any], name: str) -> str:
    value = claims.get(name, "")
    if not isinstance(value, str):
        raise Unauthenticated(_NOT_BELIEVED)
    return value
