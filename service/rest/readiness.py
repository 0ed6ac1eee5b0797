"""Whether the service can do its work, asked of everything that work needs, and remembered for a second."""

import asyncio
import shutil
import time

from service.errors import Issue, IssueType, ServiceError, StoreUnavailable
from service.settings import Settings
from service.store.contract import Query, Store, Transaction

__all__ = ["Readiness"]

_REMEMBERED_S = 1.0
"""Whoever watches may ask as often as it likes; the store is asked once a second."""
_MEGABYTE = 1_000_000


class Readiness:
    """What one process knows of its own state; ``stopping`` from the moment it was told to stop."""

    def __init__(self) -> None:
        """Know nothing yet."""
        self.stopping = False
        self._asking = asyncio.Lock()
        self._until = 0.0
        self._problems: tuple[Issue, ...] = ()

    async def check(self, store: Store, settings: Settings) -> None:
        """StoreUnavailable with everything that keeps the service from its work; nothing if it can work."""
        if self.stopping:
            raise StoreUnavailable("The service is about to stop; ask another one, or try again.")
        async with self._asking:
            if time.monotonic() >= self._until:
                self._problems = (*_disk(settings), *await _database(store))
                self._until = time.monotonic() + _REMEMBERED_S
        if self._problems:
            raise StoreUnavailable(self._problems)


async def _database(store: Store) -> tuple[Issue, ...]:
    """What keeps the store from answering, from writing and from recording an access."""
    try:
        await store.search(Query("Patient", count=0, total="none"))
        await store.write("readiness", _nothing)
        await store.audit([])
    except ServiceError as error:
        return error.issues
    return ()


async def _nothing(_transaction: Transaction) -> None:
    """A transaction that waits its turn as every other and changes nothing."""


def _disk(settings: Settings) -> tuple[Issue, ...]:
    """Too little room where SQLite writes; PostgreSQL's disk is its own."""
    if settings.database_url or not settings.data_dir.is_dir():
        return ()
    free = shutil.disk_usage(settings.data_dir).free
    if free >= settings.min_free_mb * _MEGABYTE:
        return ()
    problem = f"Less than {settings.min_free_mb} MB are free in the data folder; make room."
    return (Issue(problem, code=IssueType.TRANSIENT),)
