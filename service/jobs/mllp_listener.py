"""Taking v2 messages over MLLP: connections, their limits, and each message's acknowledgement.

Nothing that comes can do harm: what is no frame is dropped, a message too large is refused and ends its
connection, whoever says nothing for too long is disconnected, and only listed networks may connect at all.
"""

import asyncio
import ssl
from collections.abc import Awaitable, Callable
from contextlib import suppress
from dataclasses import dataclass
from ipaddress import IPv4Network, IPv6Network, ip_address, ip_network

from service.errors import ServiceError
from service.jobs.mllp_frames import Frames, TooLong, framed

__all__ = ["Handler", "Limits", "MllpListener", "networks_of"]

Handler = Callable[[bytes, str], Awaitable[list[bytes]]]
"""Answers the acknowledgements of a message that came from an address."""


@dataclass(frozen=True, slots=True)
class Limits:
    """Most bytes of a message, most connections at once, and seconds: within a message, and between two."""

    networks: tuple[IPv4Network | IPv6Network, ...]
    message_bytes: int = 5_000_000
    connections: int = 20
    receive_s: float = 30
    idle_s: float = 3_600


def networks_of(text: str) -> tuple[IPv4Network | IPv6Network, ...]:
    """Answer networks separated by spaces. ServiceError if one can't be read."""
    try:
        return tuple(ip_network(one) for one in text.split())
    except ValueError:
        raise ServiceError("SWALLOW_MLLP_NETWORKS: each is an address or a network (10.1.0.0/16).") from None


class MllpListener:
    """A port on which messages are taken; ``taken`` and ``refused`` count connections."""

    def __init__(
        self, handle: Handler, too_large: Handler, limits: Limits, security: ssl.SSLContext | None = None
    ) -> None:
        """``handle`` answers a message, ``too_large`` the beginning of one that is too large."""
        self._handle = handle
        self._too_large = too_large
        self._limits = limits
        self._security = security
        self._server: asyncio.Server | None = None
        self._open: set[asyncio.Task[None]] = set()
        self.taken = 0
        self.refused = 0

    async def listen(self, host: str, port: int) -> int:
        """Begin; answers the port. OSError if it can't be had."""
        self._server = await asyncio.start_server(self._connected, host, port, ssl=self._security)
        return int(self._server.sockets[0].getsockname()[1])

    async def close(self, wait_s: float = 5) -> None:
        """Take no more; messages in work are finished and answered within ``wait_s``."""
        if self._server is not None:
            self._server.close()
        for task in self._open:
            task.cancel()
        if self._open:
            await asyncio.wait(self._open, timeout=wait_s)

    async def _connected(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        address = str((writer.get_extra_info("peername") or ("",))[0]).partition("%")[0]
        try:
            if task is None or not self._may(address) or len(self._open) >= self._limits.connections:
                self.refused += 1
                return
            self._open.add(task)
            self.taken += 1
            await self._converse(reader, writer, address)
        except (OSError, TimeoutError, asyncio.CancelledError):
            pass  # the connection ended, by whichever end
        finally:
            self._open.discard(task)
            writer.close()
            with suppress(OSError, TimeoutError, asyncio.CancelledError):
                await asyncio.wait_for(writer.wait_closed(), 1)

    def _may(self, address: str) -> bool:
        try:
            found = ip_address(address)
        except ValueError:
            return False
        found = getattr(found, "ipv4_mapped", None) or found
        return any(found in network for network in self._limits.networks)

    async def _converse(
        self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, address: str
    ) -> None:
        frames = Frames(reader, self._limits.message_bytes)
        while True:
            try:
                content = await self._next(frames)
            except TooLong as error:
                if error.head:
                    await _answered(writer, await self._too_large(error.head, address))
                return
            if content is None:
                return
            # a message in work is finished, also when the service is told to stop meanwhile
            work = asyncio.ensure_future(self._handle(content, address))
            try:
                await asyncio.shield(work)
            except asyncio.CancelledError:
                await _answered(writer, await work)
                raise
            await _answered(writer, work.result())

    async def _next(self, frames: Frames) -> bytes | None:
        """The next message; TimeoutError if it does not come in time."""
        limits = self._limits
        async with asyncio.timeout(limits.idle_s) as waiting:
            frames.on_start = lambda: waiting.reschedule(asyncio.get_running_loop().time() + limits.receive_s)
            return await frames.next()


async def _answered(writer: asyncio.StreamWriter, answers: list[bytes]) -> None:
    for answer in answers:
        writer.write(framed(answer))
    async with asyncio.timeout(30):
        await writer.drain()
