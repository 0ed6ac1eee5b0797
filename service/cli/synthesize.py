"""``synthesize``: an invented registry, for demonstrations, load tests and checks of methods."""

from pathlib import Path

import click

from service.jobs.synthetic_tables import registry, synthetic_tables
from service.jobs.table_export import rows_told
from service.jobs.table_files import FORMATS, Format
from service.synthetic.parameters import parameters

__all__ = ["synthesize"]

_MOST_PEOPLE = 999_999
_LARGEST_SEED = 2**31 - 1


@click.command()
@click.argument("out", type=click.Path(path_type=Path))
@click.option("--patients", required=True, type=click.IntRange(1, _MOST_PEOPLE), help="How many people.")
@click.option(
    "--seed",
    required=True,
    type=click.IntRange(0, _LARGEST_SEED),
    help="The same seed makes the same people.",
)
@click.option(
    "--sites",
    default=4,
    show_default=True,
    type=click.IntRange(1, len(parameters().sites)),
    help="How many clinics they come to.",
)
@click.option(
    "--views",
    is_flag=True,
    required=True,
    expose_value=False,
    help="Write the research tables into the new folder OUT.",
)
@click.option("--format", "format_", type=click.Choice(FORMATS), default="csv", help="Of the tables; csv.")
def synthesize(*, out: Path, patients: int, seed: int, sites: int, format_: Format) -> None:
    """Write an invented registry (HTEST) whose truth is known, as research tables."""
    try:
        manifest = synthetic_tables(registry(seed, sites), patients, out, format_)
    except OSError as error:
        raise click.ClickException(f"Nothing is left of {out}: {error.strerror}.") from None
    click.echo(rows_told(manifest), err=True)
