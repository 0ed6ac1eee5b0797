"""``backup``: everything stored, in one file."""

import asyncio
from pathlib import Path

import click
from tqdm import tqdm

from service.cli.local import data_dir_option, opened, recorded, settings_for
from service.settings import Settings
from service.store import moving
from service.store.archive import Digest

__all__ = ["backup"]


@click.command()
@click.argument("file", type=click.Path(dir_okay=False, path_type=Path))
@click.option("--recipient", default="", help="What 'backup-key' has printed: only its key reads the file.")
@data_dir_option
def backup(file: Path, recipient: str, data_dir: Path | None) -> None:
    """Write every version of every resource to a new file, as it stands now; the service may go on running.

    Keys and the vault of research ids lie as files in the data folder and are not part of it.
    """
    digest = asyncio.run(_backup(file, recipient, settings_for(data_dir)))
    click.echo(f"{digest.versions} versions and {digest.visits} visit keys in {file}.")


async def _backup(file: Path, recipient: str, settings: Settings) -> Digest:
    async with opened(settings) as store, recorded(store, "backup", "110106"):
        with tqdm(total=await store.size(), unit="version", disable=None) as bar:
            return await moving.backup(store, file, bar.update, recipient)
