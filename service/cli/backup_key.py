"""``backup-key``: a key for sealed backups."""

from pathlib import Path

import click

from service.security.private_file import new_private_file
from service.store.sealed import new_key, read_key, recipient_of

__all__ = ["backup_key"]


@click.command()
@click.argument("file", type=click.Path(dir_okay=False, path_type=Path))
def backup_key(file: Path) -> None:
    """Make a key in a new file, and print the recipient for whom 'backup --recipient' seals.

    Keep the file away from the machine that is backed up: who has it reads every backup sealed for it, and
    without it nobody does. For a file that is there the recipient is printed again.
    """
    if not file.exists():
        new_private_file(file.absolute().parent, new_key().encode()).rename(file)
    click.echo(recipient_of(read_key(file)))
