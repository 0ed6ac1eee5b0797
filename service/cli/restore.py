"""``restore``: a backup into an empty database."""

import asyncio
from pathlib import Path

import click
from tqdm import tqdm

from service.cli.local import data_dir_option, found_by, opened, recorded, settings_for
from service.settings import Settings
from service.store import moving
from service.store.archive import Digest

__all__ = ["restore"]


@click.command()
@click.argument("file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option(
    "--key-file",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="File of the key, where the backup is sealed.",
)
@data_dir_option
def restore(file: Path, key_file: Path | None, data_dir: Path | None) -> None:
    """Read a backup back, of either kind of database, into an empty one: all of it, or nothing.

    The file is checked first, and what arrived is compared with it before it is kept.
    """
    digest = asyncio.run(_restore(file, key_file, settings_for(data_dir)))
    click.echo(f"{digest.versions} versions and {digest.visits} visit keys restored and compared.")


async def _restore(file: Path, key_file: Path | None, settings: Settings) -> Digest:
    async with opened(settings) as store:
        with tqdm(unit="version", disable=None) as bar:
            digest = await moving.restore(file, store, found_by(settings), bar.update, key_file)
        async with recorded(store, "restore", "110107"):  # not before: what is recorded would fill the store
            return digest
