"""``keys``: the keys that this service signs with."""

import asyncio
import time
from pathlib import Path
from typing import Any

import click
import msgspec
from joserfc.jwk import ECKey

from service.cli.local import data_dir_option, opened, settings_for
from service.security.private_file import new_private_file
from service.security.signing_keys import SigningKeys

__all__ = ["keys", "made_key"]


@click.group()
def keys() -> None:
    """Change the keys that access tokens are signed with, or make one to prove who we are elsewhere.

    Those of access tokens change by themselves after thirty days.
    """


@keys.command()
@click.argument("path", metavar="FILE", type=click.Path(dir_okay=False, path_type=Path))
def new(path: Path) -> None:
    """Write a new private key to FILE, and print the public one as the JWK Set to register elsewhere."""
    click.echo(msgspec.json.format(msgspec.json.encode({"keys": [made_key(path)]}), indent=2).decode())


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


def made_key(path: Path) -> dict[str, Any]:
    """Write a new private key (P-384, for ES384) to a file of its own; answers the public one."""
    key = ECKey.generate_key("P-384", auto_kid=True)
    if path.exists():
        raise click.UsageError(f"{path} is there already.")
    new_private_file(path.parent, msgspec.json.encode(key.as_dict(private=True, alg="ES384"))).rename(path)
    return {**key.as_dict(private=False), "alg": "ES384", "use": "sig"}
