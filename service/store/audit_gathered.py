"""Recording the events of many callers: while some are being written, those that come wait together."""

import asyncio
from collections.abc import Awaitable, Callable, Sequence

from service.store.audit import Event

__all__ = ["Gathered"]

_TOGETHER = 32
"""Callers whose events are written together: of many that ask at once, some are answered meanwhile."""


class Gathered:
    """Writes events, each call's together with those of others that came meanwhile."""

    def __init__(self, write: Callable[[Sequence[Event]], Awaitable[None]]) -> None:
        """``write`` answers when its events are durable; it is called by one at a time."""
        self._write = write
        self._waiting: list[tuple[Sequence[Event], asyncio.Future[None]]] = []
        self._loop: asyncio.AbstractEventLoop | None = None
        self._writing: asyncio.Task[None] | None = None

    async def add(self, events: Sequence[Event]) -> None:
        """Record events; durable when this returns. Raises what kept them, and those beside them, out."""
        loop = asyncio.get_running_loop()
        if self._loop is not loop:  # whoever waited in another is gone with it
            self._loop, self._waiting, self._writing = loop, [], None
        written = loop.create_future()
        self._waiting.append((events, written))
        if self._writing is None or self._writing.done():
            self._writing = loop.create_task(self._write_all())
        await written

    async def _write_all(self) -> None:
        while self._waiting:
            await self._others()
            some, self._waiting = self._waiting[:_TOGETHER], self._waiting[_TOGETHER:]
            problem: Exception | None = None
            try:
                await self._write([event for events, _ in some for event in events])
            except Exception as error:  # noqa: BLE001 - whatever it is belongs to those who wait
                problem = error
            for _, written in some:
                if written.done():  # the caller gave up waiting
                    continue
                if problem is None:
                    written.set_result(None)
                else:
                    written.set_exception(problem)

    async def _others(self) -> None:
        """Let those come who are about to: as long as each turn of the loop brings somebody."""
        before = 0
        while before < len(self._waiting) < _TOGETHER:
            before = len(self._waiting)
            await asyncio.sleep(0)
