"""Small answers of other servers: keys, what is said of a token, who signed in, whom a record shows."""

import asyncio
import logging
from contextlib import suppress
from typing import TYPE_CHECKING, Any

from service.errors import AddressRefused, IssuerUnreachable
from service.jobs.outgoing import Outgoing

if TYPE_CHECKING:
    from service.jobs.http_client import Client

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

    async def get(self, url: str, token: str = "") -> bytes:
        """Answer what is at an address; IssuerUnreachable if that can't be had.

        With an access token, where there is one: then it is a resource of a record.
        """
        headers = {"Authorization": f"Bearer {token}", "Accept": "application/fhir+json"} if token else {}
        return await self._asked("GET", url, headers=headers)

    async def post(self, url: str, form: dict[str, str], login: tuple[str, str] | None) -> bytes:
        """Send a form, saying who asks by HTTP Basic or in the form; IssuerUnreachable without an answer."""
        return await self._asked("POST", url, data=form, auth=login)

    async def close(self) -> None:
        """Let the connections go."""
        if self._client is not None:
            await self._client.aclose()

    async def _asked(self, method: str, url: str, **sent: Any) -> bytes:
        from service.jobs.http_client import (  # noqa: PLC0415 - the library takes 60 ms, and few ever ask
            TransportError,
            connect,
        )

        client = self._client = self._client or connect("", "", self._outgoing, timeout=_SECONDS)
        with suppress(TransportError, TimeoutError, ValueError):
            try:
                async with asyncio.timeout(_SECONDS):
                    return await self._answer(client, method, url, **sent)
            except AddressRefused as error:
                _log.error("%s", error)
        raise IssuerUnreachable("Who issued the access token does not answer now; try again.")

    async def _answer(
        self, client: "Client", method: str, url: str, *, headers: dict[str, str] | None = None, **sent: Any
    ) -> bytes:
        accepted = {"Accept": "application/json"} | (headers or {})
        pieces: list[bytes] = []
        async with client.stream(method, url, headers=accepted, **sent) as response:
            async for piece in response.aiter_bytes():
                pieces.append(piece)
                if sum(map(len, pieces)) > _MOST_BYTES:
                    raise ValueError("more than is read")
        if response.status_code != 200:
            raise ValueError("no answer")
        return b"".join(pieces)
