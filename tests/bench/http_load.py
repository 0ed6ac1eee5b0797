"""Asking a service over HTTP as fast as it answers, by a client that costs little."""

import asyncio
import re
import time
from collections.abc import Sequence
from dataclasses import dataclass
from urllib.parse import urlsplit

__all__ = ["Caller", "called"]

_LENGTH = re.compile(rb"\r\ncontent-length: (\d+)\r\n", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Caller:
    """Who asks where. ``url`` is the service's address, ``token`` an access token or empty."""

    url: str
    token: str = ""

    def request(self, method: str, path: str, body: bytes = b"", kind: str = "application/yaml") -> bytes:
        """The bytes of one request."""
        lines = [f"{method} {path} HTTP/1.1", f"Host: {urlsplit(self.url).netloc}"]
        if self.token:
            lines.append(f"Authorization: Bearer {self.token}")
        if body:
            lines += [f"Content-Type: {kind}", f"Content-Length: {len(body)}"]
        return "\r\n".join([*lines, "", ""]).encode() + body

    async def connect(self) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
        """A connection that stays open."""
        place = urlsplit(self.url)
        return await asyncio.open_connection(place.hostname, place.port)


async def called(
    caller: Caller, requests: Sequence[bytes], *, connections: int, seconds: float, each: float | None = None
) -> list[float]:
    """Send the requests round and round on every connection; seconds each answer took.

    ``each``: a connection waits until so many seconds after its last request; without it sends at once.
    AssertionError if an answer is not 200 or 201.
    """
    took: list[float] = []
    end = time.perf_counter() + seconds

    async def lane(number: int) -> None:
        reader, writer = await caller.connect()
        due = time.perf_counter() + (each or 0) * number / connections
        place = number * len(requests) // connections
        try:
            while True:
                await asyncio.sleep(max(0.0, due - time.perf_counter()) if each else 0)
                begin = time.perf_counter()
                if begin >= end:
                    break
                await _exchange(reader, writer, requests[place % len(requests)])
                took.append(time.perf_counter() - begin)
                place += 1
                due += each or 0
        finally:
            writer.close()
            await writer.wait_closed()

    await asyncio.gather(*(lane(number) for number in range(connections)))
    return took


async def _exchange(reader: asyncio.StreamReader, writer: asyncio.StreamWriter, request: bytes) -> None:
    writer.write(request)
    head = await reader.readuntil(b"\r\n\r\n")
    found = _LENGTH.search(head)
    body = await reader.readexactly(int(found[1])) if found else b""
    assert head.startswith((b"HTTP/1.1 200", b"HTTP/1.1 201")), (head, body[:500])
