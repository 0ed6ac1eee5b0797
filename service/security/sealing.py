"""What a browser keeps for us between two requests, so that it can neither read nor change it.

JSON Web Encryption (RFC 7516) with a key that is derived, for each purpose, from the keys tokens are signed
with: every process of one database opens what another sealed, and nothing of it is stored.
"""

import hmac
from collections.abc import Callable
from typing import TypeVar

import msgspec
from joserfc import jwe
from joserfc.errors import JoseError
from joserfc.jwk import ECKey, OctKey

from service.security.signing_keys import SigningKeys

__all__ = ["Sealing"]

T = TypeVar("T")
_HEADER = {"alg": "dir", "enc": "A256GCM"}
_LONGEST = 4_096


class Sealing:
    """Seals and opens."""

    def __init__(self, keys: SigningKeys, now: Callable[[], float]) -> None:
        """``now`` answers seconds since 1970."""
        self._keys, self._now = keys, now

    async def seal(self, purpose: str, content: msgspec.Struct, seconds: float) -> str:
        """Answer a text that opens for this purpose alone, for so long."""
        key = _derived(await self._keys.signing(), purpose)
        plain = msgspec.json.encode((self._now() + seconds, content))
        return jwe.encrypt_compact(_HEADER, plain, key)

    async def open(self, purpose: str, kind: type[T], text: str) -> T | None:
        """Answer what was sealed; None for whatever we did not seal for this purpose, or too long ago."""
        if not text or len(text) > _LONGEST:
            return None
        for key in await self._keys.all():
            try:
                plain = jwe.decrypt_compact(text, _derived(key, purpose), algorithms=list(_HEADER.values()))
                until, sealed = msgspec.json.decode(plain.plaintext or b"", type=tuple[float, msgspec.Raw])
                content = msgspec.json.decode(sealed, type=kind)
            except (JoseError, ValueError, TypeError):
                continue
            return content if until > self._now() else None
        return None


def _derived(key: ECKey, purpose: str) -> OctKey:
    secret = str(key.as_dict(private=True)["d"]).encode()
    return OctKey.import_key(hmac.digest(secret, f"swallow-interop sealed {purpose}".encode(), "sha256"))
