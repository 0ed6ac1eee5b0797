"""``synthesize``: an invented registry, for demonstrations, load tests and checks of methods."""

import gc
from pathlib import Path

import click

from service.jobs.synthetic_bundles import synthetic_bundles
from service.jobs.synthetic_tables import registry, synthetic_tables
from service.jobs.table_export import rows_told
from service.jobs.table_files import FORMATS, Format
from service.settings import Settings
from service.synthetic.parameters import parameters
from service.terminology.codes import codes

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
@click.option("--views", is_flag=True, help="Write the research tables into a new folder OUT instead.")
@click.option("--format", "format_", type=click.Choice(FORMATS), help="Of the tables; csv.")
def synthesize(  # noqa: PLR0913 - the options of the command
    *, out: Path, patients: int, seed: int, sites: int, views: bool, format_: Format | None
) -> None:
    """Write an invented registry (HTEST) whose truth is known, into a new file OUT.

    It is NDJSON: a transaction Bundle of all visits for each person, which 'load' takes in.
    """
    if format_ and not views:
        raise click.UsageError("--format is of the tables; give --views as well.")
    # Rows are no cycles: looking for some among them takes a quarter of the time.
    gc.set_threshold(200_000)
    found = registry(seed, sites)
    try:
        if views:
            told = rows_told(synthetic_tables(found, patients, out, format_ or "csv"))
        else:
            size = synthetic_bundles(found, patients, out, codes(Settings().snomed))
            told = f"{patients} people, {size} bytes"
    except OSError as error:
        raise click.ClickException(f"Nothing is left of {out}: {error.strerror}.") from None
    click.echo(told, err=True)
