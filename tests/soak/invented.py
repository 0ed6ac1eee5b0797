"""The research tables of an invented registry: processor time and memory of many people, rows of some."""

import os
import subprocess
import sys
from pathlib import Path

from service.jobs.synthetic_tables import registry
from service.synthetic.bundles import person_bundle
from service.terminology.codes import codes
from tests.bench.measure import Size
from tests.same_tables import exported_rows, straight_rows, told

__all__ = ["differing_rows", "invented_tables"]

MOST_MEMORY = 400
"""MB; the same for any number of people."""
MOST_GROWTH = 1.3
"""Times as long for each person as in a registry of a tenth."""


def invented_tables(folder: Path, people: int) -> list[Size]:
    """Write the tables of a tenth of the people, then of all, each by the command in a process of its own."""
    few, _ = _written(folder / "few", people // 10)
    seconds, megabytes = _written(folder / "many", people)
    growth = (seconds / people) / (few / (people // 10))
    what = f"tables of {people:,} invented people (Parquet)"
    return [
        Size(f"{what}: processor time", seconds, "s"),
        Size(f"{what}: each, times as in {people // 10:,}", growth, "x", MOST_GROWTH),
        Size(f"{what}: memory at most", megabytes, "MB", MOST_MEMORY),
    ]


def differing_rows(folder: Path, people: int) -> list[Size]:
    """Rows written straight that an export of the same people's Bundles has not, or has otherwise."""
    invented = list(registry(1, 12).people(1, people))
    known = codes("all")
    straight = told(straight_rows(invented))
    full = told(exported_rows([person_bundle(one.records, known) for one in invented], folder))
    differ = sum(
        ((straight[table] - full[table]) + (full[table] - straight[table])).total() for table in full
    )
    return [Size(f"rows of {people:,} invented people that an export has otherwise", differ, "rows", 0)]


def _written(out: Path, people: int) -> tuple[float, float]:
    """Processor seconds and the most memory in MB."""
    words = ["synthesize", str(out), "--views", f"--patients={people}", "--seed=1", "--sites=12"]
    program = "from service.cli import main; main()"
    with subprocess.Popen([sys.executable, "-c", program, *words, "--format=parquet"]) as running:  # noqa: S603 - our own command
        _, status, used = os.wait4(running.pid, 0)
        running.returncode = os.waitstatus_to_exitcode(status)
    if running.returncode:
        raise RuntimeError(f"synthesize ended with {running.returncode}")
    return used.ru_utime + used.ru_stime, used.ru_maxrss / 1_024
