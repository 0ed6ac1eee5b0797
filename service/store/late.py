"""A store whose database was out of reach when the service started: those who ask have it tried again."""

import asyncio
import time
from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from typing import Any, TypeVar

from service.errors import StoreUnreachable
from service.store.audit import Event
from service.store.contract import History, Label, Page, Query, Settled, States, Version, Work
from service.store.entries import Entry, EntryKind, Opened
from service.store.search_match import Statement
from service.store.summaries import Seen, SummaryPage, SummaryQuery

__all__ = ["LateStore"]

T = TypeVar("T")

_PAUSE_S = 1.0
"""Between two attempts; who asks meanwhile is told what the last one met."""


class LateStore:
    """The Store of the contract, opened by the first call that finds the database there."""

    def __init__(self, open_: Callable[[], Awaitable[Opened]], met: StoreUnreachable) -> None:
        """``open_`` opens the database; ``met`` is what the first attempt met."""
        self._open = open_
        self._met = met
        self._again = time.monotonic() + _PAUSE_S
        self._lock = asyncio.Lock()
        self._store: Opened | None = None

    async def read(self, type_: str, id_: str) -> Version | None:
        """See the contract."""
        return await (await self._opened()).read(type_, id_)

    async def vread(self, type_: str, id_: str, version: int) -> Version | None:
        """See the contract."""
        return await (await self._opened()).vread(type_, id_, version)

    async def history(self, query: History) -> Page:
        """See the contract."""
        return await (await self._opened()).history(query)

    async def search(self, query: Query) -> Page:
        """See the contract."""
        return await (await self._opened()).search(query)

    async def summaries(self, query: SummaryQuery) -> SummaryPage:
        """See the contract."""
        return await (await self._opened()).summaries(query)

    async def behind(self, day: str, basis: str, count: int) -> list[str]:
        """See the contract."""
        return await (await self._opened()).behind(day, basis, count)

    async def noted(self, count: int) -> list[str]:
        """See the contract."""
        return await (await self._opened()).noted(count)

    async def seen(self, patients: Sequence[str]) -> list[Seen]:
        """See the contract."""
        return await (await self._opened()).seen(patients)

    async def labels(self, types: Sequence[str]) -> set[Label]:
        """See the contract."""
        return await (await self._opened()).labels(types)

    async def write(self, name: str, work: Work[T]) -> T:
        """See the contract."""
        return await (await self._opened()).write(name, work)

    async def audit(self, events: Sequence[Event]) -> None:
        """See the contract."""
        await (await self._opened()).audit(events)

    async def audited(self, query: Query) -> Page:
        """See the contract."""
        return await (await self._opened()).audited(query)

    async def changes(self, after: int = 0) -> AsyncIterator[Version]:
        """See the contract."""
        async for version in (await self._opened()).changes(after):
            yield version

    async def settled(self) -> Settled:
        """See the contract."""
        return await (await self._opened()).settled()

    async def states(self, query: States) -> list[Version]:
        """See the contract."""
        return await (await self._opened()).states(query)

    async def entries(self, kind: EntryKind) -> list[Entry]:
        """See Entries."""
        return await (await self._opened()).entries(kind)

    async def enter(self, entry: Entry, *, once: bool = False) -> bool:
        """See Entries."""
        return await (await self._opened()).enter(entry, once=once)

    async def forget(self, before: int) -> None:
        """See Entries."""
        await (await self._opened()).forget(before)

    async def ask(self, statement: Statement) -> Sequence[Sequence[Any]]:
        """See Asked."""
        return await (await self._opened()).ask(statement)

    async def do(self, statement: Statement) -> Sequence[Sequence[Any]]:
        """See Done."""
        return await (await self._opened()).do(statement)

    async def close(self) -> None:
        """See the contract."""
        if self._store is not None:
            await self._store.close()

    async def _opened(self) -> Opened:
        async with self._lock:
            self._store = self._store or await self._attempt()
            return self._store

    async def _attempt(self) -> Opened:
        if time.monotonic() < self._again:
            raise StoreUnreachable(self._met.issues)
        try:
            return await self._open()
        except StoreUnreachable as error:
            self._met = error
            raise
        finally:
            self._again = time.monotonic() + _PAUSE_S
