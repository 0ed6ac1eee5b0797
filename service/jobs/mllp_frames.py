"""MLLP: messages between VT and FS CR on a connection (HL7 v2 transport specification, MLLP release 1)."""

import asyncio
from collections.abc import Callable

__all__ = ["Frames", "TooLong", "framed"]

_START, _END = b"\x0b", b"\x1c\r"
_CHUNK = 64 * 1024
_MOST_BETWEEN = 4_096
"""Bytes between frames after which nobody waits for another start."""


def framed(content: bytes) -> bytes:
    """Answer a message as it crosses the wire."""
    return _START + content + _END


class TooLong(Exception):
    """A message longer than may be; ``head`` is its beginning, as far as it is needed to answer it."""

    def __init__(self, head: bytes) -> None:
        """Keep the beginning."""
        super().__init__()
        self.head = head


class Frames:
    """Takes frames from a stream; what lies outside of them, or in one that is not ended, is dropped."""

    def __init__(self, reader: asyncio.StreamReader, most: int) -> None:
        """``most``: bytes of the longest message."""
        self._reader = reader
        self._most = most
        self._kept = bytearray()
        self._searched = 0
        self.on_start: Callable[[], object] = lambda: None
        """Called when the first bytes of a message have come, and the rest has not."""

    async def next(self) -> bytes | None:
        """Answer the next message, None at the end of the stream.

        TooLong for one longer than may be.
        """
        while True:
            if (found := self._whole()) is not None:
                return found
            self._check()
            more = await self._reader.read(_CHUNK)
            if not more:
                return None
            if _START not in self._kept and _START in more:
                self.on_start()
            self._kept += more

    def _whole(self) -> bytes | None:
        """A message that has come whole; what was searched for its end is not searched again."""
        while (end := self._kept.find(_END, max(0, self._searched - 1))) >= 0:
            start = self._kept.rfind(_START, 0, end)
            content = bytes(self._kept[start + 1 : end])
            del self._kept[: end + len(_END)]
            self._searched = 0
            if start >= 0:
                return self._short_enough(content)
        self._searched = len(self._kept)
        return None

    def _short_enough(self, content: bytes) -> bytes:
        if len(content) > self._most:
            raise TooLong(content[:_MOST_BETWEEN])
        return content

    def _check(self) -> None:
        start = self._kept.find(_START)
        if start < 0 and len(self._kept) > _MOST_BETWEEN:
            raise TooLong(b"")
        if start >= 0 and len(self._kept) - start > self._most:
            raise TooLong(bytes(self._kept[start + 1 : start + 1 + _MOST_BETWEEN]))
