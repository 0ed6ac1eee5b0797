"""Public keys that signatures are held against: given once, or fetched from an address (RFC 7517)."""

import asyncio
import logging
from collections.abc import Awaitable, Callable, Sequence
from typing import Any, Protocol

import msgspec
from joserfc.errors import JoseError
from joserfc.jwk import ECKey, RSAKey

from service.errors import IssuerUnreachable
from service.security.signed import Key

__all__ = ["FetchedKeys", "Get", "GivenKeys", "Keys", "read_keys"]

_log = logging.getLogger("service.security")

FRESH_S = 600
"""Fetched keys are fetched again after this time."""
STALE_S = 3_600
"""Where they can't be, the last ones count until they are this old."""
PAUSE_S = 10
"""Between two attempts, whatever tokens name: else a stranger could have the address asked all the time."""
_LEAST_BITS = 2_048

Get = Callable[[str], Awaitable[bytes]]
"""Answers what is at an address; IssuerUnreachable if that can't be had."""


class Keys(Protocol):
    """The public keys of somebody who signs."""

    async def for_(self, kid: str) -> Sequence[Key]:
        """Answer the keys; those of ``kid`` are among them if there are any."""
        ...


class GivenKeys:
    """Keys that stay as they are."""

    def __init__(self, keys: Sequence[Key]) -> None:
        """Take the keys."""
        self._keys = tuple(keys)

    async def for_(self, kid: str) -> Sequence[Key]:  # noqa: ARG002 - of the contract
        """See Keys."""
        return self._keys


class FetchedKeys:
    """Keys at an address, kept for ten minutes; a name not among them has them fetched anew."""

    def __init__(self, url: str, get: Get, now: Callable[[], float]) -> None:
        """``get`` fetches; ``now`` answers seconds."""
        self.url, self._get, self._now = url, get, now
        self._keys: Sequence[Key] = ()
        self._fetched = self._tried = float("-inf")
        self._lock = asyncio.Lock()

    async def for_(self, kid: str) -> Sequence[Key]:
        """See Keys; IssuerUnreachable if there are none young enough."""
        if self._due(kid):
            async with self._lock:
                if self._due(kid):  # nobody fetched them while this one waited
                    await self._renew()
        if self._now() - self._fetched >= STALE_S:
            raise IssuerUnreachable(
                "The keys of who issued the access token can't be fetched now; try again."
            )
        return self._keys

    def _due(self, kid: str) -> bool:
        known = not kid or any(key.kid == kid for key in self._keys)
        aged = self._now() - self._fetched >= FRESH_S
        return (aged or not known) and self._now() - self._tried >= PAUSE_S

    async def _renew(self) -> None:
        self._tried = self._now()
        try:
            self._keys = read_keys(await self._get(self.url))
            self._fetched = self._now()
        except (IssuerUnreachable, ValueError) as error:
            _log.warning("Keys could not be fetched from %s (%s).", self.url, type(error).__name__)


def read_keys(text: bytes) -> tuple[Key, ...]:
    """Read a JWK Set; ValueError if it is none.

    Left out is what can't verify: keys for encryption, symmetric and short ones, kinds that are not known.
    """
    found = msgspec.json.decode(text, type=_KeySet)
    return tuple(key for one in found.keys if (key := _key(one)))


class _KeySet(msgspec.Struct):
    keys: list[dict[str, Any]]


def _key(said: dict[str, Any]) -> Key | None:
    kinds: dict[str, type[Key]] = {"RSA": RSAKey, "EC": ECKey}
    kind = kinds.get(str(said.get("kty")))
    if kind is None or said.get("use", "sig") != "sig" or "verify" not in said.get("key_ops", ["verify"]):
        return None
    if kind is RSAKey and len(str(said.get("n"))) * 6 < _LEAST_BITS:  # six bits a character
        return None
    try:
        return kind.import_key(said)
    except (JoseError, ValueError, TypeError, KeyError):
        return None
