"""A receiver of v2 messages that keeps what it gets, and may do everything that networks do."""

import asyncio
import random
from typing import Self

import hl7

from service.jobs.mllp_frames import framed


class Receiver:
    """Takes messages, keeps them, and answers; with a ``seed`` it misbehaves by chance."""

    def __init__(self, seed=None, code="AA", most=1.0) -> None:
        self.kept = []
        self._chance = random.Random(seed)  # noqa: S311 - of a test
        self._wild = seed is not None
        self._code = code
        self._most = most
        self._late = []
        self.connections = 0
        self.faults = 0

    @property
    def received(self):
        """What came, read; messages are large, so they are kept as texts."""
        return [*self.each()]

    def each(self):
        """One after the other."""
        return map(hl7.parse, self.kept)

    async def __aenter__(self) -> Self:
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", 0)
        self.port = self._server.sockets[0].getsockname()[1]
        return self

    async def __aexit__(self, *_: object) -> None:
        self._server.close()

    async def _serve(self, reader, writer):
        self.connections += 1
        try:
            while True:
                try:
                    data = await reader.readuntil(b"\x1c\r")
                except (asyncio.IncompleteReadError, ConnectionError):
                    return
                message = hl7.parse(data.strip(b"\x0b\x1c\r").decode())
                if not await self._misbehave(writer, message):
                    return
        finally:
            writer.close()

    async def _misbehave(self, writer, message) -> bool:
        """Whether the connection goes on."""
        what = self._chance.choice(_WAYS) if self._wild else "well"
        self.faults += what != "well"
        if what == "killed before":
            return False
        self.kept.append(str(message))
        answer = self.answer(message)
        if what == "killed after":
            return False
        if what == "half-closed":
            writer.write_eof()
            return False
        if what == "cut":
            writer.write(framed(answer)[:-5])
            await writer.drain()
            return False
        if what == "late":
            self._late.append(answer)
            await asyncio.sleep(self._most)
        if what == "garbled":
            writer.write(framed(b"\x00\xff not a message"))
        if what in {"twice", "other"} and self._late:
            writer.write(framed(self._late[-1]))
        writer.write(framed(answer) * (2 if what == "twice" else 1))
        await writer.drain()
        self._late = [*self._late, answer][-3:]
        return True

    def answer(self, message, code=""):
        id_ = str(message.segment("MSH")[10])
        return (
            f"MSH|^~\\&|R||S||20260101||ACK^R01^ACK|a{id_}|P|2.5.1\rMSA|{code or self._code}|{id_}\r".encode()
        )


_WAYS = (
    *["well"] * 6,
    "killed before",
    "killed after",
    "half-closed",
    "cut",
    "late",
    "garbled",
    "twice",
    "other",
)
