"""Resources at hand, searched as if they were stored: a database in memory that holds each in one version."""

from collections.abc import Coroutine, Iterable
from typing import Any

from service.fhir.search_values import SearchKeys
from service.store.archive import Kept
from service.store.contract import Version
from service.store.sqlite import in_memory
from service.store.sqlite_archive import SqliteArchive
from service.store.sqlite_transaction import Connection, Words

__all__ = ["at_hand"]


def at_hand(rows: Iterable[tuple[Version, SearchKeys]]) -> Connection:
    """Answer a database that holds these, for one thread at a time."""
    connection = in_memory()
    archive = SqliteArchive(connection, Words(connection), lambda: 0)
    _driven(_kept(archive, rows))
    return connection


async def _kept(archive: SqliteArchive, rows: Iterable[tuple[Version, SearchKeys]]) -> None:
    for version, keys in rows:
        await archive.keep(Kept(version, newest=True), keys)
    await archive.finish()


def _driven(work: Coroutine[Any, Any, None]) -> None:
    """Run a coroutine that never waits."""
    try:
        work.send(None)
    except StopIteration:
        return
    raise AssertionError("what is in memory is not waited for")
