"""``copy``: from the SQLite database of the data folder into PostgreSQL."""

import asyncio
from pathlib import Path

import click
from tqdm import tqdm

from service.cli.local import data_dir_option, found_by, opened, recorded, settings_for
from service.settings import Settings
from service.store import moving
from service.store.archive import Digest

__all__ = ["copy"]


@click.command()
@data_dir_option
def copy(data_dir: Path | None) -> None:
    """Copy the SQLite database of the data folder into the empty PostgreSQL of SWALLOW_DATABASE_URL.

    Ids, versions, history and their order stay. Stop the service first: what it writes meanwhile is left out.
    """
    settings = settings_for(data_dir)
    if not settings.database_url:
        raise click.UsageError("SWALLOW_DATABASE_URL has to name the PostgreSQL database to copy to.")
    if not (settings.data_dir / "swallow.sqlite").exists():
        raise click.UsageError(
            f"There is no swallow.sqlite in {settings.data_dir}; name its folder by --data-dir."
        )
    digest = asyncio.run(_copy(settings))
    click.echo(f"{digest.versions} versions and {digest.visits} visit keys copied and compared.")


async def _copy(settings: Settings) -> Digest:
    here = settings.model_copy(update={"database_url": ""})
    async with (
        opened(here) as source,
        opened(settings) as target,
        recorded(source, "copy", "110106"),
        recorded(target, "copy", "110107"),
    ):
        with tqdm(total=await source.size(), unit="version", disable=None) as bar:
            return await moving.copy(source, target, found_by(settings), bar.update)
