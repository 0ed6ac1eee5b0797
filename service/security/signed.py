"""A signed token (RFC 7515) taken apart, and held against public keys as RFC 8725 advises.

What a token says of its own keys (jku, jwk, x5u, x5c) is not looked at: the issuer it names, or the client,
decides whose keys count. None of the algorithms taken is symmetric, and each takes its own kind of key alone.
"""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Any

import msgspec
from joserfc import jws, jwt
from joserfc.errors import JoseError
from joserfc.jwk import ECKey, RSAKey

__all__ = [
    "ALGORITHMS",
    "SKEW_S",
    "Key",
    "NotBelieved",
    "Signed",
    "check_signature",
    "check_times",
    "kind_of",
    "read",
]

Key = RSAKey | ECKey

ALGORITHMS = {
    **dict.fromkeys(("RS256", "RS384", "RS512", "PS256", "PS384", "PS512"), "RSA"),
    "ES256": "P-256",
    "ES384": "P-384",
    "ES512": "P-521",
}
"""The algorithms that can be taken, and the kind of key or curve of each (RFC 7518 section 3.1)."""
SKEW_S = 30
_LONGEST = 8_192


class NotBelieved(ValueError):
    """A token is malformed, or what it says can't be relied on."""


class _Sizes(jws.JWSRegistry):
    max_header_length = _LONGEST  # certificate chains, which are not looked at


@dataclass(frozen=True, slots=True)
class Signed:
    """A token as it was sent: nothing in it is known to be true."""

    claims: dict[str, Any]
    algorithm: str
    key: str
    type: str
    jku: str
    parts: jws.CompactSignature


def read(text: str) -> Signed:
    """Take a token apart; NotBelieved if it is none."""
    if len(text) > _LONGEST:
        raise NotBelieved
    try:
        parts = jws.extract_compact(text.encode("ascii"), registry=_Sizes())
        header = msgspec.convert(parts.headers(), dict[str, Any])
        claims = msgspec.json.decode(parts.payload, type=dict[str, Any])
        names = [header.get(name, "") for name in ("alg", "kid", "typ", "jku")]
    except (JoseError, ValueError, TypeError, RecursionError):
        raise NotBelieved from None  # a cause would quote the token
    if "crit" in header or not all(isinstance(name, str) for name in names):
        raise NotBelieved
    algorithm, key, type_, jku = names
    return Signed(claims, algorithm, key, type_.lower().removeprefix("application/"), jku, parts)


def check_signature(signed: Signed, keys: Sequence[Key], algorithms: Collection[str]) -> None:
    """NotBelieved unless the one key that the token names signed it, by an algorithm that is taken."""
    if signed.algorithm not in algorithms or signed.algorithm not in ALGORITHMS:
        raise NotBelieved
    fitting = [key for key in keys if (not signed.key or key.kid == signed.key) and _fits(key, signed)]
    if len(fitting) != 1:
        raise NotBelieved
    registry = jws.JWSRegistry(algorithms=[signed.algorithm], strict_check_header=False)
    try:
        valid = jws.validate_compact(signed.parts, fitting[0], registry=registry)
    except (JoseError, ValueError, TypeError):
        raise NotBelieved from None
    if not valid:
        raise NotBelieved


def check_times(claims: dict[str, Any], now: float, **wanted: Any) -> None:
    """JoseError unless exp, iat and nbf (where there) hold at ``now``, give or take SKEW_S, and ``wanted``.

    ``wanted`` are joserfc's options of a claim, by its name.
    """
    jwt.JWTClaimsRegistry(now=int(now), leeway=SKEW_S, **wanted).validate(claims)


def kind_of(key: Key) -> str:
    """Answer what ALGORITHMS has for a key: RSA, or its curve."""
    return key.curve_name if isinstance(key, ECKey) else "RSA"


def _fits(key: Key, signed: Signed) -> bool:
    said = key.as_dict(private=False)
    return (
        ALGORITHMS[signed.algorithm] == kind_of(key) and said.get("alg", signed.algorithm) == signed.algorithm
    )
