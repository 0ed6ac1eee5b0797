"""From the text of an access token to the Principal it proves: RFC 7519, checked as RFC 8725 advises."""

from collections.abc import Awaitable, Callable, Iterable
from dataclasses import dataclass
from typing import Any, Protocol

from joserfc.errors import ExpiredTokenError, JoseError

from service.errors import Unauthenticated
from service.security.keys import Keys
from service.security.principal import Principal
from service.security.scopes import Scopes
from service.security.signed import SKEW_S, NotBelieved, Signed, check_signature, check_times, read

__all__ = ["Admits", "Believed", "Issuer", "TokenVerifier", "principal_of"]

_REMEMBERED = 10_000
_TYPES = frozenset({"", "jwt", "at+jwt"})
"""What an access token may be called (RFC 9068); others are made for something else."""
_NOT_BELIEVED = (
    "The access token can't be believed: it is malformed, or not from an issuer this service trusts."
)

Admits = Callable[[Principal, str], Awaitable[bool]]
"""Whether a caller whose token (its ``jti``, if it has one) was verified has not been shut out since."""


class Believed(Protocol):
    """Somebody whose tokens are believed."""

    @property
    def name(self) -> str:
        """What its tokens have as ``iss``."""
        ...

    @property
    def opaque(self) -> bool:
        """Whether its tokens may be texts that say nothing."""
        ...

    async def claims(self, token: str, signed: Signed | None, now: float) -> dict[str, Any]:
        """Answer what a token says, known to be true; JoseError or NotBelieved if it is not."""
        ...


@dataclass(frozen=True, slots=True)
class Issuer:
    """One that signs: its ``iss`` name, public keys, the ``aud`` it must write, algorithms it may use."""

    name: str
    keys: Keys
    audience: str
    algorithms: tuple[str, ...] = ("RS256",)
    opaque: bool = False

    async def claims(self, token: str, signed: Signed | None, now: float) -> dict[str, Any]:  # noqa: ARG002 - of the contract
        """See Believed."""
        if signed is None or signed.type not in _TYPES:
            raise NotBelieved
        check_signature(signed, await self.keys.for_(signed.key), self.algorithms)
        essential = {name: {"essential": True} for name in ("sub", "exp", "iat")}
        check_times(signed.claims, now, aud={"essential": True, "value": self.audience}, **essential)
        return signed.claims


async def _everybody(_caller: Principal, _id: str) -> bool:
    return True


class TokenVerifier:
    """Verifies access tokens; one that was verified is remembered for a moment, as it is."""

    def __init__(
        self,
        issuers: Iterable[Believed],
        now: Callable[[], float],
        *,
        remembered_s: float = 5.0,
        admits: Admits = _everybody,
    ) -> None:
        """Trust ``issuers``; ``now`` answers seconds since 1970.

        A token is looked at anew after ``remembered_s``: its keys may be gone, its caller shut out.
        """
        self._issuers = {issuer.name: issuer for issuer in issuers}
        self._opaque = next((issuer for issuer in self._issuers.values() if issuer.opaque), None)
        self._now = now
        self._remembered_s = remembered_s
        self._admits = admits
        self._verified: dict[str, tuple[float, float, Principal]] = {}

    async def verify(self, token: str) -> Principal:
        """Answer the caller, or raise Unauthenticated with a sentence that does not repeat the token.

        IssuerUnreachable if that can't be told now.
        """
        known = self._verified.get(token)
        if known is not None and known[0] <= self._now() < known[1]:  # clocks may be set back
            return known[2]
        self._verified.pop(token, None)
        principal = await self._check(token)
        known = self._verified.get(token, known)  # others may have asked meanwhile
        if known is not None and known[2] == principal:
            principal = known[2]  # the same object: whatever is kept by it is found without comparing
        self._remember(token, principal)
        return principal

    async def admits(self, caller: Principal) -> bool:
        """Whether a caller, whose token was verified once, is still accepted."""
        return await self._admits(caller, "")

    def forget(self, token: str) -> None:
        """Look at a token anew the next time, whatever is remembered of it."""
        self._verified.pop(token, None)

    def believed(self, token: str) -> bool:
        """Whether a token was verified before, as far as that is remembered; it may have ended since."""
        return token in self._verified

    async def _check(self, token: str) -> Principal:
        try:
            return await self._principal(token)
        except ExpiredTokenError:
            raise Unauthenticated("The access token has expired; fetch a new one.") from None
        except (NotBelieved, JoseError, ValueError, TypeError, KeyError, RecursionError):
            # whatever the text holds the answer is the same, and a cause would quote the token
            raise Unauthenticated(_NOT_BELIEVED) from None

    async def _principal(self, token: str) -> Principal:
        issuer, signed = self._issuer(token)
        claims = await issuer.claims(token, signed, self._now())
        principal = principal_of(claims, issuer.name)
        if not await self._admits(principal, _text(claims, "jti")):
            raise Unauthenticated("The access token, or the client it was issued to, is no longer accepted.")
        return principal

    def _issuer(self, token: str) -> tuple[Believed, Signed | None]:
        """Who issued a token: what it says of itself only chooses who decides whether any of it is true."""
        try:
            signed = read(token)
        except NotBelieved:
            if self._opaque is None:
                raise
            return self._opaque, None
        return self._issuers[signed.claims["iss"]], signed

    def _remember(self, token: str, principal: Principal) -> None:
        if len(self._verified) >= _REMEMBERED:
            self._verified.pop(next(iter(self._verified)))
        now = self._now()
        self._verified[token] = now, min(principal.expires + SKEW_S, now + self._remembered_s), principal


def principal_of(claims: dict[str, Any], issuer: str) -> Principal:
    """Answer who a token's claims, known to be true, say is asking; NotBelieved if they can't be read."""
    patient = _text(claims, "patient").removeprefix("Patient/")
    client = _text(claims, "client_id") or _text(claims, "azp")
    subject = _text(claims, "sub") or client
    if not subject:
        raise NotBelieved
    return Principal(
        subject=subject,
        issuer=issuer,
        scopes=Scopes.parse(_text(claims, "scope"), patient=bool(patient)),
        fhir_user=_text(claims, "fhirUser"),
        expires=float(claims["exp"]),
        patient=patient,
        client=client,
        purpose=_text(claims, "purpose_of_use"),
        name=name if isinstance(name := claims.get("name"), str) else "",
    )


def _text(claims: dict[str, Any], name: str) -> str:
    value = claims.get(name, "")
    if not isinstance(value, str):
        raise NotBelieved
    return value
