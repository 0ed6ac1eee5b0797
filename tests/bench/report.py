"""The table of measurements as Markdown, readable as it is in a terminal."""

import os
import platform
import sqlite3
from collections.abc import Sequence
from datetime import date

from tests.bench.measure import Row, Size
from tests.bench.writing import Shares

__all__ = ["head", "report", "tables"]

_HEAD = ("work", "baseline", "n", "measured", "per second", "baseline took", "ratio", "budget", "held")


def report(rows: Sequence[Row], sizes: Sequence[Size], spent: Shares, *, day: date, seconds: float) -> str:
    """The whole text of the bench."""
    per_record = sum(spent.values())
    phases = [
        (phase, f"{1e3 * took:.1f} ms", f"{100 * took / per_record:.0f} %") for phase, took in spent.items()
    ]
    return "\n".join(
        [
            "# Measurements",
            "",
            *head(day, seconds),
            *tables(rows, sizes),
            "",
            f"Where the {1e3 * per_record:.0f} ms (mean) of taking in one visit record go:",
            "",
            *_table(("phase", "time", "share"), phases),
        ]
    )


def head(day: date, seconds: float) -> list[str]:
    """When, and on what."""
    return [
        f"{day.isoformat()}; {_machine()}; {seconds:.0f} s in all. Medians, in turn with the baseline.",
        "",
    ]


def tables(rows: Sequence[Row], sizes: Sequence[Size]) -> list[str]:
    """What was timed against a baseline, and what was measured on its own."""
    alone = [(one.what, f"{_number(one.measured)} {one.unit}".strip(), one.budget, one.held) for one in sizes]
    return [
        *_table(_HEAD, [_cells(row) for row in rows]),
        "",
        *_table(("what", "measured", "budget", "held"), alone),
    ]


def _machine() -> str:
    cores = os.cpu_count() or 1
    return (
        f"{cores} cores ({platform.machine()}), Python {platform.python_version()}, "
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


def _number(value: float) -> str:
    return f"{value:.3g}" if value < 1_000 else f"{value:,.0f}"


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
