"""Opening the store that the settings name."""

import logging
from collections.abc import Callable
from datetime import datetime

from service.errors import StoreUnavailable, StoreUnreachable
from service.settings import Settings
from service.store.archive import Movable
from service.store.entries import Opened
from service.store.late import LateStore
from service.store.sqlite import SqliteStore

__all__ = ["open_store", "open_store_or_wait"]

_log = logging.getLogger("service.store")


async def open_store(settings: Settings, clock: Callable[[], datetime], *, older: bool = False) -> Movable:
    """Open the database of the settings, with its tables if it is new; ``clock`` answers now, with a zone.

    ``older``: its tables may be of an older program. StoreUnreachable if its server does not answer,
    StoreUnavailable if its schema is not one this program can use.
    """
    if not settings.database_url:
        return SqliteStore(settings.data_dir / "swallow.sqlite", clock=clock, older=older)
    try:
        from service.store.postgres import PostgresStore  # noqa: PLC0415 - its driver is an optional dependency
    except ModuleNotFoundError as error:
        raise StoreUnavailable(
            "PostgreSQL needs one more package: pip install 'swallow-interop[postgres]'."
        ) from error
    return await PostgresStore.open(settings.database_url, clock=clock, older=older)


async def open_store_or_wait(settings: Settings, clock: Callable[[], datetime]) -> Opened:
    """Open the database as ``open_store`` does; if its server does not answer, it is opened later.

    Until then whatever is asked of the store raises StoreUnreachable.
    """
    try:
        return await open_store(settings, clock)
    except StoreUnreachable as error:
        _log.warning("%s The service answers 503 until it does.", error)
        return LateStore(lambda: open_store(settings, clock), error)
