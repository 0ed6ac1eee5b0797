"""The store of this machine, for commands that work without a running service."""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import click

from service.interactions.context import Context, allow_everything
from service.settings import Settings
from service.store.contract import Store
from service.store.opening import open_store

__all__ = ["data_dir_option", "local_context", "now", "opened", "settings_for"]

data_dir_option = click.option(
    "--data-dir",
    type=click.Path(file_okay=False, path_type=Path),
    help="Folder of the database; default SWALLOW_DATA_DIR, else ./swallow-data.",
)


def now() -> datetime:
    """The clock of the command."""
    return datetime.now(UTC)


def settings_for(data_dir: Path | None, **changes: Any) -> Settings:
    """The settings from the environment, with what the command line says on top."""
    if data_dir is not None:
        changes["data_dir"] = data_dir
    return Settings(**changes)


def local_context(settings: Settings) -> Context:
    """What an interaction needs when the command itself carries it out: every right, no address."""
    return Context(
        base="",
        allow=allow_everything,
        zone=settings.zone,
        max_depth=settings.max_depth,
        max_bundle_entries=settings.max_bundle_entries,
        clock=now,
    )


@asynccontextmanager
async def opened(settings: Settings) -> AsyncIterator[Store]:
    """The store in the settings' data folder, closed at the end."""
    store = await open_store(settings, now)
    try:
        yield store
    finally:
        await store.close()
