"""``cohort``: what the research tables of one or more sites tell about reaching goals."""

from pathlib import Path

import click

from service.cli.cohort_lines import lines
from service.cli.local import settings_for
from service.fhir.json import dump
from service.jobs.cohort_question import STRATA, question
from service.jobs.cohort_run import told
from service.jobs.cohort_tree import as_csv, as_tree

__all__ = ["cohort"]


@click.command("cohort")
@click.argument(
    "tables", nargs=-1, required=True, type=click.Path(exists=True, file_okay=False, path_type=Path)
)
@click.option("--by", type=click.Choice(STRATA), help="What groups are told apart by; a site is a folder.")
@click.option("--measure", multiple=True, help="Only goals of this kind; may be repeated.")
@click.option("--site", multiple=True, help="Only this folder of tables; may be repeated.")
@click.option("--condition", multiple=True, help="Only people with a condition whose code begins so.")
@click.option("--age", multiple=True, help="Only people of this age class, such as 60-69; may be repeated.")
@click.option("--first-visit", default="", help="Only people first seen in these years: 2025 or 2024..2026.")
@click.option("--policy", multiple=True, help="Only tables released by this policy.")
@click.option(
    "--smallest",
    type=click.IntRange(1),
    help="The smallest count above 0 that is told; default SWALLOW_SMALLEST_CELL, else 11. 1 hides nothing.",
)
@click.option("--engine", type=click.Choice(["duckdb", "spark"]), default="duckdb", help="Default duckdb.")
@click.option("--format", "format_", type=click.Choice(["table", "json", "csv"]), default="table")
def cohort(  # noqa: PLR0913 - the options of the command
    *,
    tables: tuple[Path, ...],
    by: str | None,
    measure: tuple[str, ...],
    site: tuple[str, ...],
    condition: tuple[str, ...],
    age: tuple[str, ...],
    first_visit: str,
    policy: tuple[str, ...],
    smallest: int | None,
    engine: str,
    format_: str,
) -> None:
    """Time to attainment, dose, adherence and own judgement of a cohort, from folders of research tables."""
    given = {
        "by": [by] if by else [],
        "measure": list(measure),
        "site": list(site),
        "condition": list(condition),
        "age": list(age),
        "first-visit": [first_visit],
        "policy": list(policy),
    }
    asked = question(given, smallest or settings_for(None).smallest_cell)
    answer = told(tables, asked, spark=engine == "spark")
    if format_ == "json":
        click.echo(dump(as_tree(answer)).decode())
    elif format_ == "csv":
        click.echo(as_csv(answer), nl=False)
    else:
        click.echo("\n".join(lines(answer)))
