"""Another terminology server of the site, asked about codes that are not known here.

Only codes, code systems and the addresses of value sets and maps are sent: never a display, a filter's text,
a value set's content or anything else a person has written. It may be slow, broken or gone: then nothing is
known.
"""

import asyncio
import logging
import re
import time
from collections import OrderedDict
from collections.abc import Callable
from urllib.parse import urlencode

from service.errors import AddressRefused, InvalidInput
from service.fhir.json import Tree, parse
from service.jobs.http_client import Client, TransportError, connect
from service.jobs.outgoing import Outgoing

__all__ = ["TerminologyServer"]

_log = logging.getLogger("service.terminology")

_SECONDS = 5.0
_MOST_BYTES = 5_000_000
_MOST_KEPT = 4_096
_KEPT_SECONDS = 3_600.0
_AT_ONCE = 8
_FAILURES = 3
_REST_SECONDS = 30.0
_CODE = re.compile(r"[^\s]+( [^\s]+)*")
_LONGEST = 500
_SENT = frozenset(
    {
        *("url", "system", "code", "codeA", "codeB", "valueSetVersion", "mode"),
        *("targetsystem", "source", "target", "reverse", "conceptMapVersion"),
    }
)

Query = tuple[tuple[str, str], ...]


class TerminologyServer:
    """Asks, remembers answers for an hour, and rests for half a minute after three failures in a row."""

    def __init__(
        self, url: str, token: str, outgoing: Outgoing, *, now: Callable[[], float] = time.monotonic
    ) -> None:
        """Take the FHIR base of the server, and the access token it may ask for. ``now``: seconds."""
        self._url = url
        self._outgoing = outgoing
        self._token = token
        self._now = now
        self._client: Client | None = None
        self._kept: OrderedDict[tuple[str, Query], tuple[float, Tree | None]] = OrderedDict()
        self._failures = 0
        self._rest_until = 0.0
        self._free = asyncio.Semaphore(_AT_ONCE)

    async def ask(self, path: str, query: Query) -> Tree | None:
        """Answer what it says to ``GET path?query``; None if it does not know, or can't be asked."""
        if not all(name in _SENT and _sendable(value) for name, value in query):
            return None
        key = path, query
        expires, kept = self._kept.get(key, (0.0, None))
        if expires > self._now():
            self._kept.move_to_end(key)
            return kept
        async with self._free:
            if self._now() < self._rest_until:
                return None
            return await self._asked(key)

    async def close(self) -> None:
        """Let its connections go."""
        if self._client is not None:
            await self._client.aclose()

    async def _asked(self, key: tuple[str, Query]) -> Tree | None:
        path, query = key
        try:
            async with asyncio.timeout(_SECONDS):
                status, body = await self._get(f"{path}?{urlencode(query)}" if query else path)
            answer = parse(body) if status == 200 else None
        except (TransportError, TimeoutError, InvalidInput, ValueError) as error:
            self._failed(type(error).__name__)
            return None
        except AddressRefused as error:
            self._failed(str(error))
            return None
        if status in {401, 403, 429} or status >= 500 or 300 <= status < 400:
            self._failed(f"HTTP {status}")
            return None
        self._failures = 0
        self._keep(key, answer)
        return answer

    async def _get(self, address: str) -> tuple[int, bytes]:
        if self._client is None:
            self._client = connect(self._url, self._token, self._outgoing, timeout=_SECONDS)
        async with self._client.stream("GET", address) as response:
            pieces: list[bytes] = []
            async for piece in response.aiter_bytes():
                pieces.append(piece)
                if sum(map(len, pieces)) > _MOST_BYTES:
                    raise ValueError("more than is read")
            return response.status_code, b"".join(pieces)

    def _failed(self, why: str) -> None:
        self._failures += 1
        if self._failures >= _FAILURES:
            self._rest_until = self._now() + _REST_SECONDS
            _log.warning("The terminology server failed (%s); it is asked again in %d s.", why, _REST_SECONDS)

    def _keep(self, key: tuple[str, Query], answer: Tree | None) -> None:
        self._kept[key] = self._now() + _KEPT_SECONDS, answer
        self._kept.move_to_end(key)
        while len(self._kept) > _MOST_KEPT:
            self._kept.popitem(last=False)


def _sendable(value: str) -> bool:
    return len(value) <= _LONGEST and _CODE.fullmatch(value) is not None
