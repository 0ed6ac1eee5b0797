"""ID tokens (OpenID Connect Core 1.0, section 3.1.3.7), checked as RFC 8725 advises."""

from typing import Any

from service.security.keys import Keys
from service.security.providers import Provider
from service.security.signed import NotBelieved, check_signature, check_times, read

__all__ = ["check_id_token"]

_TYPES = frozenset({"", "jwt"})
"""Access and logout tokens say that they are something else (RFC 9068, Back-Channel Logout 1.0)."""


async def check_id_token(text: str, provider: Provider, keys: Keys, nonce: str, now: float) -> dict[str, Any]:
    """Answer the claims of a token that was made for us, for this sign-in, by this provider.

    JoseError or NotBelieved if it was not.
    """
    signed = read(text)
    claims, own = signed.claims, provider.client_id
    if signed.type not in _TYPES:
        raise NotBelieved("no ID token")
    check_signature(signed, await keys.for_(signed.key), provider.algorithms)
    wanted = {"iss": provider.issuer, "aud": own, "nonce": nonce}
    needed = {name: {"essential": True} for name in ("sub", "exp", "iat")}
    check_times(
        claims, now, **{name: {"essential": True, "value": value} for name, value in wanted.items()}, **needed
    )
    several = isinstance(claims["aud"], list) and len(claims["aud"]) > 1
    if (several or "azp" in claims) and claims.get("azp") != own:
        raise NotBelieved("made for another client")
    if not (isinstance(claims["sub"], str) and claims["sub"]):
        raise NotBelieved("nobody's")
    return claims
