"""Sending v2 messages over MLLP, one after the other, each until its own acknowledgement has come."""

import asyncio
import ssl
from collections.abc import Sequence
from contextlib import suppress

from service.errors import AddressRefused, DeliveryFailed
from service.hl7v2.acknowledgement import Answer, answer_in
from service.hl7v2.parsing import read
from service.hl7v2.problem import Refused
from service.hl7v2.result_message import Message
from service.jobs.mllp_frames import Frames, TooLong, framed
from service.jobs.outgoing import Outgoing

__all__ = ["MllpClient"]

_LONGEST_ANSWER = 1_000_000
_BROKEN = (ConnectionError, EOFError)
Streams = tuple[asyncio.StreamReader, asyncio.StreamWriter]


class MllpClient:
    """One connection to one receiver, opened when it is needed and again when it broke."""

    def __init__(  # noqa: PLR0913 - where to, how, and how long
        self,
        host: str,
        port: int,
        outgoing: Outgoing,
        *,
        security: ssl.SSLContext | None = None,
        connect_s: float = 10,
        answer_s: float = 30,
    ) -> None:
        """``answer_s``: seconds in which an acknowledgement must have come."""
        self._where = (host, port)
        self._outgoing = outgoing
        self._security = security
        self._connect_s = connect_s
        self._answer_s = answer_s
        self._streams: Streams | None = None
        self._one_at_a_time = asyncio.Lock()

    async def send(self, message: Message) -> Answer:
        """Send a message; answers its acknowledgement (in enhanced mode that it was accepted).

        Acknowledgements of other messages, late or twice, are passed over. A connection that was kept open
        and turns out to be dead is opened anew once: the message has its id, whoever had it knows it again.
        DeliveryFailed if there was no answer, AddressRefused if the receiver may not be connected to.
        """
        async with self._one_at_a_time:
            try:
                if self._streams is not None:
                    with suppress(*_BROKEN):
                        return await self._sent(self._streams, message)
                return await self._sent(await self._connected(), message)
            except (*_BROKEN, TimeoutError, TooLong) as error:
                raise DeliveryFailed(f"The receiving end did not answer ({type(error).__name__}).") from None

    async def connect(self) -> None:
        """Connect, if that was not done. DeliveryFailed if it can't be."""
        async with self._one_at_a_time:
            if self._streams is None:
                await self._connected()

    async def close(self) -> None:
        """Close the connection."""
        streams, self._streams = self._streams, None
        if streams is not None:
            streams[1].close()
            with suppress(OSError, TimeoutError):
                await asyncio.wait_for(streams[1].wait_closed(), 1)

    async def _sent(self, streams: Streams, message: Message) -> Answer:
        try:
            async with asyncio.timeout(self._answer_s):
                streams[1].write(framed(message.content))
                await streams[1].drain()
                return await _answer(Frames(streams[0], _LONGEST_ANSWER), message.control_id)
        except BaseException:
            await self.close()
            raise

    async def _connected(self) -> Streams:
        host, port = self._where
        if self._security is None:
            self._may_be_unencrypted()
        try:
            addresses = await self._outgoing.addresses(host, port)
            async with asyncio.timeout(self._connect_s):
                self._streams = await _open(addresses, port, self._security, host)
        except (OSError, TimeoutError) as error:  # ssl.SSLError is one of the first
            raise DeliveryFailed(f"The receiving end can't be reached ({type(error).__name__}).") from None
        return self._streams

    def _may_be_unencrypted(self) -> None:
        try:
            self._outgoing.check(f"http://{self._where[0]}")
        except AddressRefused:
            raise AddressRefused(
                f"{self._where[0]} must be reached by TLS; where that can't be, "
                "name it in SWALLOW_OUTGOING_HOSTS."
            ) from None


async def _open(addresses: Sequence[str], port: int, security: ssl.SSLContext | None, host: str) -> Streams:
    """Connect to the first of the addresses that answers; TLS proves the name of the host."""
    error = OSError("no address")
    for address in addresses:
        try:
            name = host if security else None
            return await asyncio.open_connection(address, port, ssl=security, server_hostname=name)
        except OSError as refused:
            error = refused
    raise error


async def _answer(frames: Frames, control_id: str) -> Answer:
    """The acknowledgement of this message; EOFError if the other end closed before."""
    while (content := await frames.next()) is not None:
        with suppress(Refused):  # what can't be read acknowledges nothing
            answer = answer_in(read(content))
            if answer is not None and answer.control_id == control_id:
                return answer
    raise EOFError
