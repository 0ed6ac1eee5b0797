"""Tokens whose issuer is asked what they are good for (RFC 7662), as SMART App Launch 2.2 wants it told."""

import asyncio
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from hashlib import sha256
from typing import Any

import msgspec

from service.errors import IssuerUnreachable
from service.security.signed import NotBelieved, Signed, check_times

__all__ = ["Introspection", "Post"]

KEPT_S = 60
"""An answer holds for this long, and never longer than the token."""
_AT_ONCE = 8
_MOST_KEPT = 10_000
_LONGEST = 8_192

Post = Callable[[str, dict[str, str], tuple[str, str]], Awaitable[bytes]]
"""Sends a form to an address by HTTP Basic and answers the answer; IssuerUnreachable without one."""


@dataclass(slots=True)
class Introspection:
    """An issuer that is asked: its ``iss`` name, the address, and the name and secret it knows us by."""

    name: str
    url: str
    audience: str
    login: tuple[str, str] = field(repr=False)
    post: Post = field(repr=False)
    opaque: bool = True
    _kept: dict[bytes, tuple[float, dict[str, Any]]] = field(default_factory=dict, init=False, repr=False)
    _free: asyncio.Semaphore = field(
        default_factory=lambda: asyncio.Semaphore(_AT_ONCE), init=False, repr=False
    )

    async def claims(self, token: str, signed: Signed | None, now: float) -> dict[str, Any]:  # noqa: ARG002 - of the contract
        """See Believed."""
        if len(token) > _LONGEST or not token.isascii():
            raise NotBelieved
        digest = sha256(token.encode()).digest()
        async with self._free:
            until, answer = self._kept.get(digest, (0.0, {}))
            if until <= now:
                answer = await self._asked(token)
                self._keep(digest, now + KEPT_S, answer)
        if answer.get("active") is not True:
            raise NotBelieved
        claims = {"exp": now + KEPT_S} | answer
        audience = {"value": self.audience} if "aud" in claims else {}
        check_times(claims, now, iss={"value": self.name}, aud=audience)
        return claims

    async def _asked(self, token: str) -> dict[str, Any]:
        form = {"token": token, "token_type_hint": "access_token"}
        try:
            return msgspec.json.decode(await self.post(self.url, form, self.login), type=dict[str, Any])
        except ValueError:
            raise IssuerUnreachable(
                "Who issued the access token can't be understood now; try again."
            ) from None

    def _keep(self, digest: bytes, until: float, answer: dict[str, Any]) -> None:
        if len(self._kept) >= _MOST_KEPT:
            self._kept.pop(next(iter(self._kept)))
        self._kept[digest] = until, answer
