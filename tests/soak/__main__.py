"""What takes long to measure: a million resources, a large registry, mixed work (``python -m tests.soak``).

Prints the tables and writes them to ``results.md`` beside this file.
"""

import argparse
import asyncio
import gc
import tempfile
import time
from collections.abc import Iterator
from datetime import UTC, date, datetime
from pathlib import Path

from tests.bench.measure import Row, Size
from tests.bench.report import head, tables
from tests.soak.backlog import backlog
from tests.soak.by_bad_ways import delivered, told
from tests.soak.cohorts import cohorts
from tests.soak.exporting import exported
from tests.soak.growth import growth
from tests.soak.invented import differing_rows, invented_tables
from tests.soak.mixed import mixed
from tests.soak.panel import panel
from tests.soak.spoilt import spoilt_resources

RESULTS = Path(__file__).parent / "results.md"


def _parts(folder: Path, large: int, minutes: float, people: int) -> Iterator[tuple[list[Row], list[Size]]]:
    """One after the other: what was measured stays, whatever befalls the next."""
    yield asyncio.run(growth(folder, 10_000, large, rounds=40))
    yield [], exported(folder / "small", folder / "large")
    yield asyncio.run(panel(folder, people // 10, people))
    yield [], invented_tables(folder, 10 * people)
    yield [], list(cohorts(folder / "few", folder / "many"))
    yield [], differing_rows(folder, people // 30)
    yield [], asyncio.run(mixed(folder, 60 * minutes))
    yield [], spoilt_resources(60 * minutes)
    yield [], told(folder / "messages", people // 78)
    yield [], delivered(folder / "delivery", people // 78)
    yield [], backlog(folder / "backlog", 10_000, 10 * people)


def main() -> None:
    """Measure, write after each part, print."""
    parser = argparse.ArgumentParser(prog="python -m tests.soak")
    parser.add_argument("--date", type=date.fromisoformat, default=datetime.now(UTC).date())
    parser.add_argument("--resources", type=int, default=1_000_000)
    parser.add_argument("--people", type=int, default=10_000)
    parser.add_argument("--minutes", type=float, default=10)
    parser.add_argument("--output", type=Path, default=RESULTS)
    asked = parser.parse_args()
    gc.freeze()  # as the command does
    begin = time.perf_counter()
    rows: list[Row] = []
    sizes: list[Size] = []
    with tempfile.TemporaryDirectory() as folder:
        for more_rows, more_sizes in _parts(Path(folder), asked.resources, asked.minutes, asked.people):
            rows, sizes = [*rows, *more_rows], [*sizes, *more_sizes]
            lines = ["# Soak", "", *head(asked.date, time.perf_counter() - begin), *tables(rows, sizes)]
            asked.output.write_text("\n".join(lines) + "\n", "utf-8")
    print("\n".join(lines))


if __name__ == "__main__":
    main()
