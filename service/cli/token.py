"""``token``: a token of the development issuer."""

import time
from pathlib import Path

import click

from service.cli.local import data_dir_option, settings_for
from service.security.development_issuer import TOKENS_FILE, write_demo_tokens
from service.security.roles import roles

__all__ = ["token"]


@click.command()
@click.argument("reader", type=click.Choice([*roles()]))
@click.option("--fhir-user", default="", help="The clinician's reference, Practitioner/<id>.")
@data_dir_option
def token(reader: str, fhir_user: str, data_dir: Path | None) -> None:
    """Sign fresh tokens, valid for eight hours on this machine, and print one."""
    folder = settings_for(data_dir).data_dir
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    tokens = write_demo_tokens(folder, now=time.time(), clinician=fhir_user)
    click.echo(tokens[reader])
    click.echo(f"All of them are in {folder / TOKENS_FILE}.", err=True)
