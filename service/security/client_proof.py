"""How we prove who we are where people sign in: by a secret, a signed assertion, or not at all.

Sources: RFC 6749 section 2.3.1; RFC 7523 and SMART App Launch 2.2, client-confidential-asymmetric.html.
"""

import secrets
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Protocol
from urllib.parse import quote_plus

import msgspec
from joserfc import jwt
from joserfc.errors import JoseError
from joserfc.jwk import ECKey, RSAKey

from service.security.signed import Key
from service.security.token_service import ASSERTION_TYPE, VALID_S

__all__ = ["ClientProof", "Login", "Public", "Secret", "SignedAssertion", "read_private_key"]

Login = tuple[str, str] | None
"""Name and secret for HTTP Basic, where they go along."""
_ALGORITHMS = {"RSA": "RS384", "EC": "ES384"}
_LEAST_BITS = 2_048


class ClientProof(Protocol):
    """What goes along with a request to a token endpoint."""

    def fields(self, address: str, methods: Sequence[str]) -> tuple[dict[str, str], Login]:
        """Answer the form's fields and the login; ``methods`` are those that ``address`` says it takes."""
        ...


class Public:
    """Nothing but the name; the code's verifier has to do (RFC 7636)."""

    def __init__(self, client_id: str) -> None:
        """Take the name."""
        self._id = client_id

    def fields(self, address: str, methods: Sequence[str]) -> tuple[dict[str, str], Login]:  # noqa: ARG002 - of the contract
        """See ClientProof."""
        return {"client_id": self._id}, None


class Secret:
    """A shared secret, by HTTP Basic unless only the form is taken."""

    def __init__(self, client_id: str, secret: str) -> None:
        """Take the name and the secret."""
        self._id, self._secret = client_id, secret

    def fields(self, address: str, methods: Sequence[str]) -> tuple[dict[str, str], Login]:  # noqa: ARG002 - of the contract
        """See ClientProof."""
        if "client_secret_post" in methods and "client_secret_basic" not in methods:
            return {"client_id": self._id, "client_secret": self._secret}, None
        return {}, (quote_plus(self._id), quote_plus(self._secret))


class SignedAssertion:
    """An assertion for this one request, signed with a private key."""

    def __init__(self, client_id: str, key: Key, now: Callable[[], float]) -> None:
        """``now`` answers seconds since 1970."""
        self._id, self._key, self._now = client_id, key, now

    def fields(self, address: str, methods: Sequence[str]) -> tuple[dict[str, str], Login]:  # noqa: ARG002 - of the contract
        """See ClientProof."""
        algorithm, now = _ALGORITHMS[self._key.key_type], int(self._now())
        claims = {"iss": self._id, "sub": self._id, "aud": address, "jti": secrets.token_hex(16)}
        header = {"alg": algorithm, "kid": self._key.kid, "typ": "JWT"}
        text = jwt.encode(header, claims | {"iat": now, "exp": now + VALID_S}, self._key, [algorithm])
        return {
            "client_id": self._id,
            "client_assertion_type": ASSERTION_TYPE,
            "client_assertion": text,
        }, None


def read_private_key(path: Path) -> Key:
    """Read a JWK; ValueError if it is no private key with a name that may sign an assertion."""
    said = msgspec.json.decode(path.read_bytes(), type=dict[str, object])
    kind: type[Key] = RSAKey if said.get("kty") == "RSA" else ECKey
    try:
        key = kind.import_key(said)  # type: ignore[arg-type]  # whatever it is, it is judged there
    except (JoseError, TypeError, KeyError) as error:
        raise ValueError("no key") from error
    fits = key.curve_name == "P-384" if isinstance(key, ECKey) else len(str(said["n"])) * 6 >= _LEAST_BITS
    if not (fits and key.is_private and said.get("kid")):
        raise ValueError("no private key that may sign")
    return key
