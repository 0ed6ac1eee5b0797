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
PAUSE_S = 1.0
"""Between two looks for names that are not known, which strangers may make up."""


class SigningKeys:
    """Keys of one database, as an issuer's Keys and to sign with."""

    def __init__(
        self, entries: Callable[[], Entries], now: Callable[[], float], *, known_s: float = 0
    ) -> None:
        """What was read is relied on for ``known_s`` seconds; ``now`` answers seconds since 1970."""
        self._entries, self._now, self._known_s = entries, now, known_s
        self._keys: dict[str, tuple[int, ECKey]] = {}
        self._read = self._sought = float("-inf")

    async def for_(self, kid: str) -> Sequence[Key]:
        """See Keys; read anew when it is time, or another process has made one."""
        new = kid not in self._keys and not 0 <= self._now() - self._sought < PAUSE_S
        if new:
            self._sought = self._now()
        await self._look(0 if new else self._known_s)
        return [key for expires, key in self._keys.values() if expires > self._now()]

    async def all(self) -> list[ECKey]:
        """Answer the keys that count, each with its private part."""
        await self._look(self._known_s)
        return [key for expires, key in self._keys.values() if expires > self._now()]

    async def signing(self) -> ECKey:
        """Answer the key to sign with, made if there is none young enough."""
        await self._look(self._known_s)
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

    async def revoke(self) -> None:
        """Let every token signed so far be worth nothing."""
        for entry in await self._entries().entries("key"):
            await self._entries().enter(Entry("key", entry.name, 1, entry.content))
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
