"""``client``: systems that may fetch access tokens from this service."""

import asyncio
import time
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any, TypeVar

import click
import msgspec

from service.cli.keys import made_key
from service.cli.local import data_dir_option, now, opened, settings_for
from service.errors import InvalidInput, ServiceError
from service.security.clients import Client, Clients
from service.security.roles import roles
from service.security.trusted_issuers import is_safe

__all__ = ["client"]

T = TypeVar("T")

_SYSTEMS = [name for name, role in roles().items() if not role.personal]


@click.group()
def client() -> None:
    """Register systems that fetch access tokens by SMART backend services."""


@client.command()
@click.argument("id_", metavar="ID")
@click.option("--role", type=click.Choice(_SYSTEMS), required=True, help="What it is for.")
@click.option("--scope", default="", help="Less than the role has: scopes, separated by spaces.")
@click.option(
    "--jwks", type=click.Path(exists=True, dir_okay=False, path_type=Path), help="Its public keys, a JWK Set."
)
@click.option("--jwks-url", default="", help="The address of its public keys.")
@click.option(
    "--new-key",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Make a key pair; the private key is written to this file, to be handed to the system.",
)
@data_dir_option
def add(id_: str, role: str, data_dir: Path | None, **given: Any) -> None:
    """Register a system under ID, with the keys it signs with."""
    keys = _keys(given["jwks"], given["jwks_url"], given["new_key"])
    scopes = given["scope"] or roles()[role].scopes
    added = now().isoformat(timespec="seconds")
    registered = Client(id_, role, scopes, keys, given["jwks_url"], added)
    try:
        _with(data_dir, lambda clients: clients.add(registered))
    except ServiceError:
        if given["new_key"]:
            given["new_key"].unlink()
        raise
    click.echo(f"{id_} may ask for: {scopes}")


@client.command("list")
@data_dir_option
def list_(data_dir: Path | None) -> None:
    """Name the systems that are registered."""
    for one in _with(data_dir, lambda clients: clients.all()):
        state = "disabled" if one.disabled else "active"
        keys = one.jwks_url or "keys on file"
        click.echo(f"{one.id}  {state}  {one.role}  {one.scopes}  {keys}  {one.added}")


@client.command()
@click.argument("id_", metavar="ID")
@data_dir_option
def disable(id_: str, data_dir: Path | None) -> None:
    """Give ID no more tokens, and refuse those it has."""
    _with(data_dir, lambda clients: clients.disable(id_))
    seconds = settings_for(data_dir).revocation_seconds
    click.echo(f"{id_} gets no more tokens; those it has are refused within {seconds:g} seconds.")


@client.command()
@click.argument("issuer")
@click.argument("whom")
@click.option("--hours", default=24, show_default=True, type=click.IntRange(0), help="0 takes it back.")
@data_dir_option
def refuse(issuer: str, whom: str, hours: int, data_dir: Path | None) -> None:
    """Refuse tokens of ISSUER whose client, subject or jti is WHOM, until they are withdrawn there."""
    until = int(time.time()) + hours * 3600
    _with(data_dir, lambda clients: clients.refuse(issuer, whom, until))
    click.echo(f"Tokens of {issuer} for {whom} are {'refused' if hours else 'believed again'}.")


def _with(data_dir: Path | None, work: Callable[[Clients], Awaitable[T]]) -> T:
    """Do something with the registry of the settings' database."""

    async def run() -> T:
        async with opened(settings_for(data_dir)) as store:
            return await work(Clients(lambda: store, time.time, _nothing))

    return asyncio.run(run())


async def _nothing(_url: str) -> bytes:
    raise AssertionError("a command fetches no keys")


def _keys(jwks: Path | None, url: str, new: Path | None) -> dict[str, Any] | None:
    if sum(map(bool, (jwks, url, new))) != 1:
        raise click.UsageError("Give one of --jwks, --jwks-url and --new-key.")
    if url and not is_safe(url):
        raise click.UsageError("The address of keys begins with https:// (http://: this machine alone).")
    if new:
        return {"keys": [made_key(new)]}
    try:
        return msgspec.json.decode(jwks.read_bytes(), type=dict[str, Any]) if jwks else None
    except msgspec.MsgspecError:
        raise InvalidInput(f"{jwks} is no JWK Set.") from None
