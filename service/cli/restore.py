"""``restore``: a backup into an empty database."""

import asyncio
from pathlib import Path

import click
from tqdm import tqdm

from service.cli.local import data_dir_option, found_by, opened, recorded, settings_for
from service.cli.retention_work import eraser_for
from service.jobs.erasure import erasures as erased
from service.jobs.erasure_elsewhere import REGISTER, erasures_in, write_register
from service.settings import Settings
from service.store import moving
from service.store.archive import Archive, Digest

__all__ = ["restore"]


@click.command()
@click.argument("file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option(
    "--key-file",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="File of the key, where the backup is sealed.",
)
@click.option(
    "--erasures",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="A later backup, or a file erasures.json: whom it names as erased is erased again.",
)
@data_dir_option
def restore(file: Path, key_file: Path | None, erasures: Path | None, data_dir: Path | None) -> None:
    """Read a backup back, of either kind of database, into an empty one: all of it, or nothing.

    The file is checked first, and what arrived is compared with it before it is kept. Who was erased since it
    was made is erased again: by --erasures, and by erasures.json of the data folder if that is there.
    """
    settings = settings_for(data_dir)
    files = [path for path in (erasures, settings.data_dir / REGISTER) if path and path.exists()]
    digest, again = asyncio.run(_restore(file, key_file, files, settings))
    click.echo(f"{digest.versions} versions and {digest.visits} visit keys restored and compared.")
    if files:
        click.echo(f"{again} people who had been erased since were erased again.")
    else:
        click.echo("If anybody was erased after this backup was made, restore it with --erasures.")


async def _restore(
    file: Path, key_file: Path | None, files: list[Path], settings: Settings
) -> tuple[Digest, int]:
    known = {id_: one for path in files for id_, one in (await erasures_in(path, key_file)).items()}
    again: list[int] = []

    async def erase(archive: Archive) -> None:
        again.append(await eraser_for(settings).again(archive, known))

    async with opened(settings) as store:
        with tqdm(unit="version", disable=None) as bar:
            digest = await moving.restore(file, store, found_by(settings), bar.update, key_file, erase)
        write_register(settings.data_dir, await erased(store))
        async with recorded(store, "restore", "110107"):  # not before: what is recorded would fill the store
            return digest, again[0]
