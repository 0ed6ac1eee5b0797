"""The table of measurements as Markdown, readable as it is in a terminal."""

import os
import platform
import sqlite3
from collections.abc import Sequence
from datetime import date

from tests.bench.measure import Row
from tests.bench.writing import Shares

__all__ = ["report"]

_HEAD = ("work", "baseline", "n", "measured", "per second", "baseline took", "ratio", "budget", "held")


def report(rows: Sequence[Row], spent: Shares, *, day: date, seconds: float) -> str:
    """The whole text."""
    per_record = sum(spent.values())
    phases = [
        (phase, f"{1e3 * took:.1f} ms", f"{100 * took / per_record:.0f} %") for phase, took in spent.items()
    ]
    return "\n".join(
        [
            "# Measurements",
            "",
            f"{day.isoformat()}; {_machine()}; {seconds:.0f} s in all. Medians, in turn with the baseline.",
            "",
            *_table(_HEAD, [_cells(row) for row in rows]),
            "",
            f"Where the {1e3 * per_record:.0f} ms (mean) of taking in one visit record go:",
            "",
            *_table(("phase", "time", "share"), phases),
        ]
    )


def _machine() -> str:
    cores = os.cpu_count() or 1
    return (
        f"one process on {cores} cores ({platform.machine()}), Python {platform.python_version()}, "
        f"SQLite {sqlite3.sqlite_version}"
    )


def _cells(row: Row) -> tuple[str, ...]:
    return (
        row.work,
        row.baseline,
        str(len(row.measured)),
        _time(row.seconds),
        _rate(1 / row.seconds),
        _time(row.floor_seconds),
        f"{row.ratio:.1f}x",
        row.budget,
        row.held,
    )


def _time(seconds: float) -> str:
    return f"{1e3 * seconds:.1f} ms" if seconds >= 0.001 else f"{1e6 * seconds:.1f} us"


def _rate(per_second: float) -> str:
    return f"{per_second:.1f}" if per_second < 100 else f"{per_second:,.0f}"


def _table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> list[str]:
    lines = [head, *rows]
    widths = [max(len(line[column]) for line in lines) for column in range(len(head))]
    text = [
        "| " + " | ".join(cell.ljust(width) for cell, width in zip(line, widths, strict=True)) + " |"
        for line in lines
    ]
    return [text[0], "|" + "|".join("-" * (width + 2) for width in widths) + "|", *text[1:]]
