"""Small answers of other servers: the keys of issuers and clients, and what an issuer says of a token."""

import asyncio
import logging
from contextlib import suppress

from service.errors import AddressRefused, IssuerUnreachable
from service.jobs.http_client import Client, TransportError, connect
from service.jobs.outgoing import Outgoing

__all__ = ["Fetching"]

_log = logging.getLogger("service.fetching")

_SECONDS = 5.0
_MOST_BYTES = 1_000_000


class Fetching:
    """Asks other servers; an answer has one megabyte at most and comes within five seconds."""

    def __init__(self, outgoing: Outgoing) -> None:
        """Open no connection yet, and later only where ``outgoing`` lets it."""
        self._outgoing = outgoing
        self._client: Client | None = None

    async def get(self, url: str) -> bytes:
        """Answer what is at an address; IssuerUnreachable if that can't be had."""
        return await self._asked("GET", url)

    async def post(self, url: str, form: dict[str, str], login: tuple[str, str]) -> bytes:
        """Send a form, saying who asks by HTTP Basic; IssuerUnreachable without an answer."""
        return await self._asked("POST", url, form, login)

    async def close(self) -> None:
        """Let the connections go."""
        if self._client is not None:
            await self._client.aclose()

    async def _asked(
        self, method: str, url: str, form: dict[str, str] | None = None, login: tuple[str, str] | None = None
    ) -> bytes:
        with suppress(TransportError, TimeoutError, ValueError):
            try:
                async with asyncio.timeout(_SECONDS):
                    return await self._answer(method, url, form, login)
            except AddressRefused as error:
                _log.error("%s", error)
        raise IssuerUnreachable("Who issued the access token does not answer now; try again.")

    async def _answer(
        self, method: str, url: str, form: dict[str, str] | None, login: tuple[str, str] | None
    ) -> bytes:
        if self._client is None:
            self._client = connect("", "", self._outgoing, timeout=_SECONDS)
        headers = {"Accept": "application/json"}
        pieces: list[bytes] = []
        async with self._client.stream(method, url, data=form, auth=login, headers=headers) as response:
            async for piece in response.aiter_bytes():
                pieces.append(piece)
                if sum(map(len, pieces)) > _MOST_BYTES:
                    raise ValueError("more than is read")
        if response.status_code != 200:
            raise ValueError("no answer")
        return b"".join(pieces)
