"""Opening the store that the settings name."""

from collections.abc import Callable
from datetime import datetime

from service.errors import StoreUnavailable
from service.settings import Settings
from service.store.archive import Movable
from service.store.sqlite import SqliteStore

__all__ = ["open_store"]


async def open_store(settings: Settings, clock: Callable[[], datetime], *, older: bool = False) -> Movable:
    """Open the database of the settings, with its tables if it is new; ``clock`` answers now, with a zone.

    ``older``: its tables may be of an older program. StoreUnavailable if it can't be reached, or its schema
    is not one this program can use.
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
