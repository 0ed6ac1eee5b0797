"""Whether a bulk export needs no more memory for many resources than for few."""

import os
import subprocess
import sys
from pathlib import Path

from tests.bench.measure import Size

__all__ = ["exported"]

MOST_GROWTH = 1.25
"""Times the memory of the small export, whatever the size."""
_PROGRAM = """
import asyncio, sys
from pathlib import Path
from tests.bench.exporting import exported_whole
print(*asyncio.run(exported_whole(Path(sys.argv[1]))))
"""


def exported(small: Path, large: Path) -> list[Size]:
    """Export two stores, each in a process of its own."""
    few, _, little = _written(small)
    many, seconds, much = _written(large)
    return [
        Size(f"$export of {many:,} resources: processor time each", 1e6 * seconds / many, "us"),
        Size(f"$export of {many:,} resources: memory at most", much, "MB"),
        Size(f"$export of {many:,} resources: memory, times as for {few:,}", much / little, "x", MOST_GROWTH),
    ]


def _written(folder: Path) -> tuple[int, float, float]:
    """How many resources, the processor's seconds, and the most memory in MB."""
    command = [sys.executable, "-c", _PROGRAM, str(folder)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as running:  # noqa: S603 - our own command
        told = running.stdout.read() if running.stdout else ""
        _, status, used = os.wait4(running.pid, 0)
        running.returncode = os.waitstatus_to_exitcode(status)
    if running.returncode:
        raise RuntimeError(f"the export ended with {running.returncode}")
    count, seconds = told.split()
    return int(count), float(seconds), used.ru_maxrss / 1_024
