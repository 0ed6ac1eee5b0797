"""What takes long to measure: a million resources, mixed work, spoilt resources (``python -m tests.soak``).

Prints the tables and writes them to ``results.md`` beside this file.
"""

import argparse
import asyncio
import gc
import tempfile
import time
from datetime import UTC, date, datetime
from pathlib import Path

from tests.bench.measure import Row, Size
from tests.bench.report import head, tables
from tests.soak.growth import growth
from tests.soak.mixed import mixed
from tests.soak.spoilt import spoilt_resources

RESULTS = Path(__file__).parent / "results.md"


async def _everything(folder: Path, large: int, minutes: float) -> tuple[list[Row], list[Size]]:
    rows, sizes = await growth(folder, 10_000, large, rounds=40)
    sizes += await mixed(folder, 60 * minutes)
    return rows, [*sizes, *spoilt_resources(60 * minutes)]


def main() -> None:
    """Measure, print, write."""
    parser = argparse.ArgumentParser(prog="python -m tests.soak")
    parser.add_argument("--date", type=date.fromisoformat, default=datetime.now(UTC).date())
    parser.add_argument("--resources", type=int, default=1_000_000)
    parser.add_argument("--minutes", type=float, default=10)
    parser.add_argument("--output", type=Path, default=RESULTS)
    asked = parser.parse_args()
    gc.freeze()  # as the command does
    begin = time.perf_counter()
    with tempfile.TemporaryDirectory() as folder:
        rows, sizes = asyncio.run(_everything(Path(folder), asked.resources, asked.minutes))
    lines = ["# Soak", "", *head(asked.date, time.perf_counter() - begin), *tables(rows, sizes)]
    print("\n".join(lines))
    asked.output.write_text("\n".join(lines) + "\n", "utf-8")


if __name__ == "__main__":
    main()
