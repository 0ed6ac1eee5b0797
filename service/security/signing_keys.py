"""The keys that this service signs access tokens with.

They lie in the store: processes on other machines must verify what one has signed, and share nothing else.
Whoever can read the database can forge tokens, but has everything already that these would open. A key signs
for thirty days; then the first request for a token makes another, and the old one is published for a day.
"""

from collections.abc import Callable, Sequence
from typing import Any

import msgspec
from joserfc.jwk import ECKey

from service.security.signed import Key
from service.store.entries import Entries, Entry

__all__ = ["ALGORITHM", "SigningKeys"]

ALGORITHM = "ES256"
SIGNS_S = 30 * 86_400
PUBLISHED_S = SIGNS_S + 86_400
READ_S = 60.0
PAUSE_S = 1.0


class SigningKeys:
    """Keys of one database, as an issuer's Keys and to sign with."""

    def __init__(self, entries: Callable[[], Entries], now: Callable[[], float]) -> None:
        """``now`` answers seconds since 1970."""
        self._entries, self._now = entries, now
        self._keys: dict[str, tuple[int, ECKey]] = {}
        self._read = float("-inf")

    async def for_(self, kid: str) -> Sequence[Key]:
        """See Keys; read anew after a minute, or when another process has made one."""
        await self._look(READ_S if kid in self._keys else PAUSE_S)
        return [key for expires, key in self._keys.values() if expires > self._now()]

    async def signing(self) -> ECKey:
        """Answer the key to sign with, made if there is none young enough."""
        await self._look(READ_S)
        newest = max((expires for expires, _ in self._keys.values()), default=0)
        if newest - PUBLISHED_S + SIGNS_S <= self._now():
            await self.rotate()
        return max(self._keys.values(), key=lambda kept: (kept[0], kept[1].kid))[1]

    async def rotate(self) -> None:
        """Make a new key; tokens that were signed with others stay good."""
        key = ECKey.generate_key("P-256", auto_kid=True)
        expires = int(self._now()) + PUBLISHED_S
        private = msgspec.json.encode(key.as_dict(private=True)).decode()
        await self._entries().enter(Entry("key", str(key.kid), expires, private))
        await self._look(0)

    async def published(self) -> dict[str, Any]:
        """Answer the public keys as a JWK Set."""
        keys = await self.for_("")
        return {"keys": [{**key.as_dict(private=False), "use": "sig", "alg": ALGORITHM} for key in keys]}

    async def _look(self, known_s: float) -> None:
        if 0 <= self._now() - self._read < known_s:
            return
        found = await self._entries().entries("key")
        self._keys = {one.name: (one.expires, ECKey.import_key(_members(one))) for one in found}
        self._read = self._now()


def _members(entry: Entry) -> dict[str, Any]:
    return msgspec.json.decode(entry.content, type=dict[str, Any])
