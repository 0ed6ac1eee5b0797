"""``export``: de-identified resources for research."""

import asyncio
import random
from pathlib import Path
from typing import BinaryIO

import click

from service.cli.followed import followed
from service.cli.local import data_dir_option, now, opened, recorded, settings_for
from service.jobs.goal_statuses import statuses_by_visit
from service.jobs.research_export import Request, ResearchExport
from service.jobs.research_place import releases_in, vaults_in
from service.jobs.research_policies import VARIANTS
from service.jobs.research_report import SERIES, Report
from service.jobs.research_source import ResearchSource
from service.jobs.research_work import Work
from service.jobs.table_export import export_tables, rows_told
from service.jobs.table_files import FORMATS, Format
from service.settings import Settings

__all__ = ["export"]


@click.command()
@click.option("--variant", required=True, type=click.Choice(VARIANTS), help="Name of the policy.")
@click.option("--project", default="", help="Whose random ids are used; one policy each, default its name.")
@click.option("--approval", default="", help="The agreement, determination or vote the release rests on.")
@click.option("--open", "open_", is_flag=True, help="For everybody, not for known recipients alone.")
@click.option("--processes", default=1, type=click.IntRange(1), help="How many work at it; default 1.")
@click.option(
    "--out",
    default="-",
    type=click.File("wb", lazy=False),
    help="NDJSON file to write; default standard output.",
)
@click.option(
    "--views",
    type=click.Path(file_okay=False, path_type=Path),
    help="New folder for flat tables, written instead of resources.",
)
@click.option("--format", "format_", type=click.Choice(FORMATS), default="csv", help="Of the tables; csv.")
@data_dir_option
def export(  # noqa: PLR0913 - the options of the command
    *,
    variant: str,
    project: str,
    approval: str,
    open_: bool,
    processes: int,
    out: BinaryIO,
    views: Path | None,
    format_: Format,
    data_dir: Path | None,
) -> None:
    """Write de-identified NDJSON of everybody with a research permission, and report k."""
    settings = settings_for(data_dir)
    asked = Request(variant, now().astimezone(settings.zone), approval, open_)
    to = out if views is None else (views, format_)
    report = asyncio.run(_export(settings, asked, project or variant, processes, to))
    click.echo(_told(report), err=True)
    for counts, what in (
        (report.widened, "described more widely"),
        (report.left_out, "left out"),
        (report.held_back, "held back"),
    ):
        for reason, count in sorted(counts.items()):
            click.echo(f"{count} {what}: {reason}", err=True)
    if report.withdrawn:
        click.echo(
            f"{report.withdrawn} people of earlier releases have withdrawn; see 'research releases'.",
            err=True,
        )


def _told(report: Report) -> str:
    steps = "".join(f", {k} after '{step}'" for step, k in report.k_after.items())
    return (
        f"{report.people} people ({report.test_people} of them test data), "
        f"{sum(report.resources.values())} resources; k = {report.k}{steps}; l = {report.l}.\n"
        f"{report.visits_unique} people have a series of visits like nobody else's. {SERIES}"
    )


async def _export(
    settings: Settings, asked: Request, project: str, processes: int, to: BinaryIO | tuple[Path, Format]
) -> Report:
    """``to``: where resources are written, or the folder and format of tables."""
    vaults = vaults_in(settings.data_dir, settings.vault_key_file)
    async with (
        followed(settings, "research-export") as counts,
        opened(settings) as opened_,
        recorded(opened_, "export", "110106") as store,
    ):
        with (
            vaults.working(project, asked.variant) as vault,
            Work(random.SystemRandom(), processes) as work,
        ):
            source = ResearchSource(store, asked.now.date())
            released = ResearchExport(
                source,
                asked,
                vault=vault,
                releases=releases_in(settings.data_dir),
                work=work,
                computed=statuses_by_visit(source, asked.variant, settings)
                if isinstance(to, tuple)
                else None,
            )
            if isinstance(to, tuple):
                click.echo(rows_told(await export_tables(released, *to)), err=True)
            else:
                async for line in released:
                    to.write(line)
        counts.update(released.report.counts)
    return released.report
