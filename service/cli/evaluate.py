"""``evaluate``: how many people attained their goals in a period, without a limit of time."""

import asyncio
from datetime import datetime
from pathlib import Path

import click

from service.attainment.cohort import Group, Span
from service.cli.local import data_dir_option, now, opened, recorded, settings_for
from service.fhir import json
from service.operations.evaluate_measure import Asked, Evaluated, evaluate
from service.operations.goal_table import aligned
from service.operations.measure_report import Report, report
from service.operations.measures import COHORT, measure, named
from service.settings import Settings
from service.terminology.codes import codes

__all__ = ["evaluate_command"]

_HEADINGS = (
    "goal",
    "people",
    "measured",
    "attained",
    "% (95 %)",
    "by computed status",
    "median days",
    "ended before",
)
_DAY = click.DateTime(["%Y-%m-%d"])


@click.command("evaluate")
@click.option("--start", type=_DAY, required=True, help="First day of the period.")
@click.option("--end", type=_DAY, required=True, help="Last day of the period.")
@click.option("--practitioner", default="", help="Only people whose active care team has Practitioner/[id].")
@click.option("--measure", "name", default="goal-attainment", help="The measure's id or URL.")
@click.option("--json", "as_json", is_flag=True, help="Print the MeasureReport.")
@data_dir_option
def evaluate_command(  # noqa: PLR0913, PLR0917 - its options
    start: datetime, end: datetime, practitioner: str, name: str, as_json: bool, data_dir: Path | None
) -> None:
    """How many people attained their goals in a period, by kind of goal and computed status."""
    id_ = named(name)
    if id_ is None or id_ == COHORT or end < start:
        raise click.UsageError("Name a measure of this service, and a period that ends after it starts.")
    settings = settings_for(data_dir)
    asked = Asked(Span(start.date(), end.date()), "summary", practitioner=practitioner)
    found = asyncio.run(_evaluated(settings, asked))
    groups = found.cohort.groups()
    if as_json:
        made = now().astimezone(settings.zone)
        about = Report(measure(id_), asked.span, made, asked.kind, smallest=settings.smallest_cell)
        tree = report(about, groups, found.cohort.people, codes(settings.snomed))
        click.echo(json.dump(tree).decode())
        return
    click.echo(f"{found.cohort.people} people, {asked.span.start} to {asked.span.end}.\n")
    click.echo(aligned([_HEADINGS, *(_row(group) for group in groups if group.people)]))


async def _evaluated(settings: Settings, asked: Asked) -> Evaluated:
    found = Evaluated()
    async with opened(settings) as opened_, recorded(opened_, "evaluate", "110112") as store:
        today = now().astimezone(settings.zone).date()
        await evaluate(store, asked, found, today=today, zone=settings.zone)
    return found


def _row(group: Group) -> tuple[str, ...]:
    share = "-"
    if group.share:
        low, high = 100 * group.share.low, 100 * group.share.high
        share = f"{100 * group.attained / group.measured:.1f} ({low:.1f}-{high:.1f})"
    return (
        group.kind.replace("-", " "),
        str(group.people),
        str(group.measured),
        str(group.attained),
        share,
        ", ".join(f"{count} {status}" for status, count in group.statuses.items()),
        str(group.time.median if group.time.median is not None else group.time.reason),
        ", ".join(f"{n} {kind.replace('-', ' ')}" for kind, n in group.time.competing.items() if n) or "-",
    )
