"""``keys``: the keys that this service signs access tokens with."""

import asyncio
import time
from pathlib import Path

import click

from service.cli.local import data_dir_option, opened, settings_for
from service.security.signing_keys import SigningKeys

__all__ = ["keys"]


@click.group()
def keys() -> None:
    """Change the keys that access tokens are signed with; they change by themselves after thirty days."""


@keys.command()
@click.option("--revoke", is_flag=True, help="Tokens signed with the former keys are no longer good.")
@data_dir_option
def rotate(data_dir: Path | None, *, revoke: bool) -> None:
    """Sign with a new key from now on."""
    asyncio.run(_rotate(data_dir, revoke=revoke))
    seconds = settings_for(data_dir).revocation_seconds
    former = "are refused" if revoke else "stay good"
    click.echo(f"Tokens are signed with a new key within {seconds:g} seconds; those signed before {former}.")


async def _rotate(data_dir: Path | None, *, revoke: bool) -> None:
    async with opened(settings_for(data_dir)) as store:
        signing = SigningKeys(lambda: store, time.time)
        if revoke:
            await signing.revoke()
        await signing.rotate()
