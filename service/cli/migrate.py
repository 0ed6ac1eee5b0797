"""``migrate``: the tables of an older program, brought up to this one's."""

import asyncio
from pathlib import Path

import click
from tqdm import tqdm

from service.cli.local import data_dir_option, found_by, opened, settings_for
from service.settings import Settings
from service.store import moving
from service.store.migrations import SCHEMA_VERSION

__all__ = ["migrate"]


@click.command()
@data_dir_option
def migrate(data_dir: Path | None) -> None:
    """Bring the database up to this program's schema; nothing is done if it is already.

    Make a backup with the older program and stop the service first. It is done as a whole, or not at all.
    """
    count = asyncio.run(_migrate(settings_for(data_dir)))
    click.echo(f"The database has schema {SCHEMA_VERSION}; {count} resources were filed anew.")


async def _migrate(settings: Settings) -> int:
    async with opened(settings, older=True) as store:
        with tqdm(unit="resource", disable=None) as bar:
            return await moving.migrate(store, found_by(settings), bar.update)
