"""``attainment``: where a person's goals stand."""

import asyncio
from datetime import date, datetime
from pathlib import Path

import click

from service.attainment.answers import PatientAnswer
from service.cli.care_lines import care_lines
from service.cli.local import data_dir_option, now, opened, recorded, settings_for
from service.cli.people import by_identifier, person_name
from service.fhir import json
from service.operations.attainment_parameters import parameters
from service.operations.cue_limits import cue_limits
from service.operations.goal_attainment import compute
from service.operations.goal_table import goal_rows, rendered
from service.settings import Settings
from service.terminology.codes import codes

__all__ = ["attainment"]


@click.command()
@click.argument("patient")
@click.option(
    "--date", "as_of", type=click.DateTime(["%Y-%m-%d"]), help="The as-of day; default today at the site."
)
@click.option("--json", "as_json", is_flag=True, help="Print the answer as the operation's Parameters.")
@data_dir_option
def attainment(patient: str, as_of: datetime | None, as_json: bool, data_dir: Path | None) -> None:
    """Where the goals of PATIENT stand: an identifier 'system|value', or the Patient's id."""
    settings = settings_for(data_dir)
    day = as_of.date() if as_of else now().astimezone(settings.zone).date()
    name, id_, answer = asyncio.run(_compute(settings, patient, day))
    if as_json:
        tree = parameters(answer, patient=f"Patient/{id_}", codes=codes(settings.snomed))
        click.echo(json.dump(tree).decode())
    else:
        click.echo("\n".join([rendered(goal_rows(name, answer)), "", *care_lines(answer)]))


async def _compute(settings: Settings, patient: str, day: date) -> tuple[str, str, PatientAnswer]:
    async with opened(settings) as opened_, recorded(opened_, "attainment", "110112") as store:
        id_ = (await by_identifier(store, "Patient", patient, settings)).id if "|" in patient else patient
        answer = await compute(store, id_, day, zone=settings.zone, limits=cue_limits(settings))
        return await person_name(store, id_), id_, answer
