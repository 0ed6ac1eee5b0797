"""The command ``swallow-interop``; one file per sub-command."""

import gc

import click

from service import __version__
from service.cli.attainment import attainment
from service.cli.audit import audit
from service.cli.backup import backup
from service.cli.backup_key import backup_key
from service.cli.client import client
from service.cli.convert import convert
from service.cli.copy_store import copy
from service.cli.demo import demo
from service.cli.doctor import doctor
from service.cli.evaluate import evaluate_command
from service.cli.export import export
from service.cli.group import Commands
from service.cli.keys import keys
from service.cli.load import load
from service.cli.migrate import migrate
from service.cli.push import push
from service.cli.restore import restore
from service.cli.retention import retention
from service.cli.serve import serve
from service.cli.terminology import terminology
from service.cli.token import token
from service.cli.validate import validate

__all__ = ["main"]


@click.group(cls=Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="swallow-interop")
def main() -> None:
    """Swallow studies, skill-training visits and goals as HL7 FHIR R4.

    Options of the service itself are environment variables, SWALLOW_DATA_DIR for example; see DEVELOPERS.md.
    """
    # What was imported is never garbage; searching it again and again doubles the time of some requests.
    gc.freeze()


_DAILY = (demo, serve, load, convert, attainment, evaluate_command, export, push, token, validate)
_UPKEEP = (doctor, audit, client, keys, terminology, retention, backup, backup_key, restore, copy, migrate)
for command in (*_DAILY, *_UPKEEP):
    main.add_command(command)
