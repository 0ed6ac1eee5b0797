"""Measurements as ratios against a baseline of the same run: ``python -m tests.bench [--date 2026-01-31]``.

Prints the table and writes it to ``results.md`` beside this file.
"""

import argparse
import asyncio
import gc
import tempfile
import time
from datetime import UTC, date, datetime
from pathlib import Path

from service.cli.serve import suit_requests
from tests.bench.auditing import auditing
from tests.bench.code_lists import loaded
from tests.bench.cohorts import cohort_counted
from tests.bench.confined import confined_reads
from tests.bench.delivering import delivering
from tests.bench.exporting import bulk_export
from tests.bench.invented import invented
from tests.bench.listing import list_of_patients
from tests.bench.measure import Row, Size
from tests.bench.on_postgres import on_postgres
from tests.bench.person_page import person_page
from tests.bench.reading import attainment, first_page, read_by_id
from tests.bench.report import report
from tests.bench.resources import deidentified, flat_rows, stored, validated
from tests.bench.serving import over_http
from tests.bench.validating import bundle_validated, examples_validated, validator_alone
from tests.bench.writing import Shares, intake, shares, transactions
from tests.databases import database, server

RESULTS = Path(__file__).parent / "results.md"


async def _everything(
    folder: Path, postgres: str, second: str, third: str
) -> tuple[list[Row], list[Size], Shares]:
    contents = await stored(folder)
    rows = [
        *await intake(folder, people=6),
        *await transactions(folder, people=61),
        *await attainment(folder, rounds=40),
        *await person_page(folder, rounds=40),
        await read_by_id(folder, rounds=40),
        *await confined_reads(folder, rounds=15),
        await first_page(folder, 10_000, 100_000, rounds=40),
        await deidentified(contents, rounds=15),
        await flat_rows(contents, rounds=15),
        await validated(contents, rounds=40),
        await bundle_validated(contents, rounds=20),
        await examples_validated(rounds=3),
        *await invented(folder, people=60, rounds=5),
        await bulk_export(folder, 20_000, rounds=7),
        await cohort_counted(folder, people=10_000, rounds=5),
        *await delivering(folder, people=12, rounds=3),
    ]
    served, sizes = await over_http(folder, people=20)
    other, reads = await on_postgres(folder, postgres, people=4)
    recorded = await auditing(folder, third)
    listed, pages = await list_of_patients(folder, second, people=10_000)
    lists = [*validator_alone(contents, folder), *loaded(folder / "lists", 400_000)]
    return (
        [*rows, *served, *recorded, *other, *listed],
        [*sizes, *reads, *pages, *lists],
        await shares(folder, people=6),
    )


def main() -> None:
    """Measure, print, write."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench")
    parser.add_argument("--date", type=date.fromisoformat, default=datetime.now(UTC).date())
    day = parser.parse_args().date
    suit_requests()  # as the service does
    gc.freeze()
    begin = time.perf_counter()
    with (
        tempfile.TemporaryDirectory() as folder,
        server() as engine,
        database(engine) as one,
        database(engine) as two,
        database(engine) as three,
    ):
        rows, sizes, spent = asyncio.run(_everything(Path(folder), one, two, three))
    text = report(rows, sizes, spent, day=day, seconds=time.perf_counter() - begin)
    print(text)
    RESULTS.write_text(text + "\n", "utf-8")


if __name__ == "__main__":
    main()
