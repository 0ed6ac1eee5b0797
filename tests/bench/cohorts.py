"""A cohort counted from research tables, against reading the same tables without counting anybody."""

import asyncio
from pathlib import Path

import duckdb

from service.jobs.cohort_engine import counted
from service.jobs.cohort_question import Question
from service.jobs.cohort_sources import NEEDED, sources
from service.jobs.synthetic_tables import registry, synthetic_tables
from tests.bench.measure import Row, alternately

__all__ = ["cohort_counted"]

LIMIT = 25


async def cohort_counted(folder: Path, people: int, rounds: int) -> Row:
    """A cohort by state."""
    tables = folder / "registry"
    await asyncio.to_thread(synthetic_tables, registry(1, 12), people, tables, "parquet")
    found, asked = sources([tables]), Question(by="state")

    async def work() -> None:
        counted(found, asked)

    async def floor() -> None:
        with duckdb.connect() as connection:
            for name in NEEDED:
                every = f"SELECT count(COLUMNS(*)) FROM read_parquet('{tables / name}.parquet')"  # noqa: S608 - our own file
                connection.execute(every).fetchall()

    measured, baseline = await alternately(work, floor, rounds=rounds)
    what = f"a cohort of {people:,} people counted by state (DuckDB)"
    return Row(
        what, "bare DuckDB counts the values of every column of the same tables", measured, baseline, LIMIT
    )
