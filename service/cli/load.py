"""``load``: take in visit records, into the store of this machine or over HTTP."""

import asyncio
import sys
from pathlib import Path

import click

from service.cli.bundle_lines import (
    LoadedBundles,
    bundles_into_store,
    bundles_over_http,
    is_bundles,
    load_bundles,
)
from service.cli.loading import Loaded, into_store, load_all, over_http
from service.cli.local import data_dir_option, opened, recorded, settings_for
from service.cli.record_files import RecordFile, record_files
from service.jobs.http_client import connect
from service.settings import Settings

__all__ = ["load"]


@click.command()
@click.argument("files", nargs=-1, required=True, type=click.Path(exists=True, path_type=Path))
@click.option(
    "--url", help="Address of a running service, such as http://127.0.0.1:8080; default the data folder."
)
@click.option(
    "--token-file",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="File with the access token for --url.",
)
@click.option("--warnings", "show_warnings", is_flag=True, help="Print the warnings as well.")
@data_dir_option
def load(
    files: tuple[Path, ...],
    url: str | None,
    token_file: Path | None,
    show_warnings: bool,
    data_dir: Path | None,
) -> None:
    """Take in visit records (YAML, JSON) with their CSV sheets; folders are searched.

    Loading the same records again changes nothing. A sheet goes to the record its rows name. A file .ndjson
    holds transaction Bundles of FHIR, one a line, as 'synthesize' writes them; give it without records.
    """
    if (url is None) != (token_file is None):
        raise click.UsageError("--url and --token-file go together.")
    settings = settings_for(data_dir)
    service = (url, token_file.read_text("utf-8").strip()) if url and token_file else None
    if any(map(is_bundles, files)):
        _bundles(files, settings, service)
        return
    records = record_files(files, settings)
    loaded = asyncio.run(_remote(records, *service) if service else _local(records, settings))
    _report(loaded, show_warnings=show_warnings)


def _bundles(files: tuple[Path, ...], settings: Settings, service: tuple[str, str] | None) -> None:
    """Take in Bundles; ``service`` is the address and token of a running one."""
    if not all(map(is_bundles, files)):
        raise click.UsageError("Give either .ndjson files of Bundles or visit records.")
    work = _remote_bundles(files, *service) if service else _local_bundles(files, settings)
    loaded = asyncio.run(work)
    for refused in loaded.refused:
        click.echo(refused, err=True)
    click.echo(loaded.summary())
    if loaded.refused or loaded.unreachable:
        sys.exit(1)


def _report(loaded: Loaded, *, show_warnings: bool) -> None:
    for refused in loaded.refused:
        click.echo(refused, err=True)
    for warning in loaded.warnings if show_warnings else ():
        click.echo(warning, err=True)
    if loaded.warnings and not show_warnings:
        click.echo(f"{len(loaded.warnings)} warnings; --warnings prints them.", err=True)
    click.echo(loaded.summary())
    if loaded.refused or loaded.not_sent:
        sys.exit(1)


async def _local(records: list[RecordFile], settings: Settings) -> Loaded:
    async with opened(settings) as opened_, recorded(opened_, "load", "110107") as store:
        return await load_all(records, into_store(store, settings))


async def _local_bundles(files: tuple[Path, ...], settings: Settings) -> LoadedBundles:
    async with opened(settings) as opened_, recorded(opened_, "load", "110107") as store:
        return await load_bundles(files, bundles_into_store(store, settings))


async def _remote_bundles(files: tuple[Path, ...], url: str, token: str) -> LoadedBundles:
    async with connect(url, token, None) as client:  # the caller's own service, most often on this machine
        return await load_bundles(files, bundles_over_http(client))


async def _remote(records: list[RecordFile], url: str, token: str) -> Loaded:
    async with connect(url, token, None) as client:  # the caller's own service, most often on this machine
        return await load_all(records, over_http(client))
