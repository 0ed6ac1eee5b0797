"""Recording the events of many callers: while some are being written, those that come wait together."""

import asyncio
from collections.abc import Awaitable, Callable, Sequence

from service.store.audit import Event

__all__ = ["Gathered"]


class Gathered:
    """Writes events, each call's together with those of others that came meanwhile."""

    def __init__(self, write: Callable[[Sequence[Event]], Awaitable[None]]) -> None:
        """``write`` answers when its events are durable; it is called by one at a time."""
        self._write = write
        self._waiting: list[Event] = []
        self._next: asyncio.Future[None] | None = None
        self._writing: asyncio.Task[None] | None = None

    async def add(self, events: Sequence[Event]) -> None:
        """Record events; durable when this returns. Raises what kept them, and those beside them, out."""
        loop = asyncio.get_running_loop()
        if self._next is None or self._next.get_loop() is not loop:
            self._next = loop.create_future()
            self._waiting = []
        self._waiting.extend(events)
        written = self._next
        if self._writing is None or self._writing.done():
            self._writing = loop.create_task(self._write_all())
        await asyncio.shield(written)

    async def _write_all(self) -> None:
        while self._next is not None:
            events, written = self._waiting, self._next
            self._waiting, self._next = [], None
            try:
                await self._write(events)
            except Exception as error:  # noqa: BLE001 - whatever it is belongs to those who wait
                written.set_exception(error)
                written.exception()  # told, even if everybody who waited has left
            else:
                written.set_result(None)
