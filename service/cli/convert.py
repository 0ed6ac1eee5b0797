"""``convert``: the FHIR a visit record becomes, without storing it."""

import asyncio
from pathlib import Path
from tempfile import TemporaryDirectory

import click

from service.cli.group import sentence
from service.cli.local import data_dir_option, local_context, opened, recorded, settings_for
from service.cli.record_files import record_files
from service.errors import InvalidInput
from service.fhir import json
from service.operations.receipt import Receipt
from service.operations.visit_intake import accept
from service.settings import Settings

__all__ = ["convert"]


@click.command()
@click.argument(
    "files", nargs=-1, required=True, type=click.Path(exists=True, dir_okay=False, path_type=Path)
)
@data_dir_option
def convert(files: tuple[Path, ...], data_dir: Path | None) -> None:
    """Print the transaction Bundle that a visit record (with its sheets) becomes; nothing is stored.

    Without --data-dir nothing is on file, so the record must bring its person, conditions and safety screen.
    """
    if data_dir is not None:
        receipt = asyncio.run(_convert(files, settings_for(data_dir)))
    else:
        with TemporaryDirectory() as folder:
            receipt = asyncio.run(_convert(files, settings_for(Path(folder))))
    for warning in receipt.warnings:
        click.echo(sentence(warning), err=True)
    click.echo(json.dump(receipt.bundle or {}).decode())


async def _convert(files: tuple[Path, ...], settings: Settings) -> Receipt:
    records = record_files(files, settings)
    if len(records) != 1:
        raise InvalidInput(f"Give one visit record and its sheets; {len(records)} records were given.")
    async with opened(settings) as opened_, recorded(opened_, "convert", "110112") as store:
        return await accept(
            store, records[0].upload, settings=settings, context=local_context(settings), dry_run=True
        )
