"""``export``: de-identified resources for research."""

import asyncio
import random
from pathlib import Path
from typing import BinaryIO

import click

from service.cli.followed import followed
from service.cli.local import data_dir_option, now, opened, recorded, settings_for
from service.jobs.research_export import ResearchExport
from service.jobs.research_report import Report
from service.jobs.vault import Vault
from service.settings import Settings

__all__ = ["export"]


@click.command()
@click.option("--variant", required=True, help="Name of the policy: safe-harbor.")
@click.option(
    "--out",
    default="-",
    type=click.File("wb", lazy=False),
    help="NDJSON file to write; default standard output.",
)
@data_dir_option
def export(variant: str, out: BinaryIO, data_dir: Path | None) -> None:
    """Write de-identified NDJSON of everybody with a research permission, and report k."""
    report = asyncio.run(_export(settings_for(data_dir), variant, out))
    click.echo(
        f"{report.people} people ({report.test_people} of them test data), "
        f"{sum(report.resources.values())} resources; k = {report.k} "
        f"({report.k_in_age_classes} with birth years widened to ten years).",
        err=True,
    )
    for counts, what in ((report.left_out, "left out"), (report.held_back, "held back")):
        for reason, count in sorted(counts.items()):
            click.echo(f"{count} {what}: {reason}", err=True)


async def _export(settings: Settings, variant: str, out: BinaryIO) -> Report:
    async with (
        followed(settings, "research-export") as counts,
        opened(settings) as opened_,
        recorded(opened_, "export", "110106") as store,
    ):
        released = ResearchExport(
            store,
            variant=variant,
            now=now(),
            vault=Vault(settings.data_dir / "research-vault"),
            random=random.SystemRandom(),
        )
        async for line in released:
            out.write(line)
        counts.update(released.report.counts)
    return released.report
