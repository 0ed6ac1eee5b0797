"""The command ``swallow-interop``; one file per sub-command."""

import gc

import click

from service import __version__
from service.cli.group import Commands, Imported

__all__ = ["main"]

_DAILY = {
    "demo": "demo:demo",
    "serve": "serve:serve",
    "load": "load:load",
    "convert": "convert:convert",
    "attainment": "attainment:attainment",
    "changes": "changes:changes",
    "evaluate": "evaluate:evaluate_command",
    "export": "export:export",
    "synthesize": "synthesize:synthesize",
    "cohort": "cohort:cohort",
    "destination": "destination:destination",
    "push": "push:push",
    "token": "token:token",
    "validate": "validate:validate",
}
_UPKEEP = {
    "doctor": "doctor:doctor",
    "audit": "audit:audit",
    "research": "research:research",
    "client": "client:client",
    "keys": "keys:keys",
    "terminology": "terminology:terminology",
    "retention": "retention:retention",
    "patient": "patient:patient",
    "backup": "backup:backup",
    "backup-key": "backup_key:backup_key",
    "restore": "restore:restore",
    "copy": "copy_store:copy",
    "migrate": "migrate:migrate",
}


@click.group(
    cls=Commands,
    commands=Imported(__name__, _DAILY | _UPKEEP),
    context_settings={"help_option_names": ["-h", "--help"]},
)
@click.version_option(__version__, prog_name="swallow-interop")
def main() -> None:
    """Swallow studies, skill-training visits and goals as HL7 FHIR R4.

    Options of the service itself are environment variables, SWALLOW_DATA_DIR for example; see DEVELOPERS.md.
    """
    # What was imported is never garbage; searching it again and again doubles the time of some requests.
    gc.freeze()
