"""A proxy that loses, delays, doubles and refuses HTTP requests by chance, the same way for the same seed."""

import asyncio
import random
import threading
from collections import Counter
from contextlib import contextmanager
from urllib.parse import urlsplit

FAULTS = ("busy", "unavailable", "refused", "answer lost", "half an answer", "stalled", "twice")


class Unreliable:
    """Stands before ``target``; a share of ``faulty`` of the requests that write meet a fault."""

    def __init__(self, target: str, seed: int, faulty: float, stall_s: float) -> None:
        parts = urlsplit(target)
        self.host, self.port = parts.hostname, parts.port
        self.met: Counter[str] = Counter()
        self.url = ""
        self._random = random.Random(seed)  # noqa: S311 - the same faults again
        self._faulty = faulty
        self._stall_s = stall_s

    async def serve(self, reader, writer):
        """Answer one request of a connection; then it is closed."""
        try:
            await self._answered(*await _request(reader), writer)
        except (OSError, asyncio.IncompleteReadError):
            pass  # the target is down, or the caller gave up: whoever asked finds the connection closed
        finally:
            writer.close()

    async def _answered(self, head, body, writer):
        by_chance = self._random.random() < self._faulty and not head.startswith(b"GET /fhir/metadata")
        fault = self._random.choice(FAULTS) if by_chance else "none"
        self.met[fault] += 1
        if fault == "refused":
            return
        if fault == "busy":
            writer.write(b"HTTP/1.1 429 Too Many Requests\r\nRetry-After: 0\r\nContent-Length: 0\r\n\r\n")
            return
        if fault == "unavailable":
            writer.write(b"HTTP/1.1 503 Service Unavailable\r\nContent-Length: 0\r\n\r\n")
            return
        answer = await self._forwarded(head, body)
        if fault == "twice":
            answer = await self._forwarded(head, body)
        if fault == "stalled":
            await asyncio.sleep(self._stall_s)
        if fault in ("answer lost", "stalled"):
            return
        writer.write(answer[: len(answer) // 2] if fault == "half an answer" else answer)
        await writer.drain()

    async def _forwarded(self, head, body):
        reader, writer = await asyncio.open_connection(self.host, self.port)
        try:
            writer.write(head + b"Connection: close\r\n\r\n" + body)
            await writer.drain()
            return await reader.read()
        finally:
            writer.close()


async def _request(reader):
    """The head of a request without what it says of the connection, and its body."""
    whole = await reader.readuntil(b"\r\n\r\n")
    lines = [one for one in whole.split(b"\r\n") if one and not one.lower().startswith(b"connection:")]
    length = next((one.split(b":")[1] for one in lines if one.lower().startswith(b"content-length:")), b"0")
    return b"\r\n".join(lines) + b"\r\n", await reader.readexactly(int(length))


@contextmanager
def unreliable(target: str, *, seed: int, faulty: float, stall_s: float):
    """An unreliable way to ``target``, in a thread of its own."""
    way = Unreliable(target, seed, faulty, stall_s)
    loop, ready = asyncio.new_event_loop(), threading.Event()

    async def begin():
        server = await asyncio.start_server(way.serve, "127.0.0.1", 0)
        way.url = f"http://127.0.0.1:{server.sockets[0].getsockname()[1]}"
        ready.set()
        return server

    def work():
        server = loop.run_until_complete(begin())
        loop.run_forever()
        server.close()
        for task in asyncio.all_tasks(loop):
            task.cancel()
        loop.run_until_complete(asyncio.sleep(0.05))
        loop.close()

    thread = threading.Thread(target=work, daemon=True)
    thread.start()
    ready.wait()
    try:
        yield way
    finally:
        loop.call_soon_threadsafe(loop.stop)
        thread.join()
