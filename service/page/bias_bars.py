"""Bias of the own judgement as bars from 0, a row each, whoever the rows are about.

Name and number stand over the bar, not beside it, so that all of it is seen on a phone without scrolling.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from service.page.drawing import Box, Drawing, Line, Mark, Marker, Text

__all__ = ["BiasRow", "bias_bars"]

WIDTH, LEFT, RIGHT, ROW, TOP = 300, 4, 296, 42, 30
MIDDLE = (LEFT + RIGHT) / 2
AT = (LEFT, (LEFT + MIDDLE) / 2, MIDDLE, (RIGHT + MIDDLE) / 2, RIGHT)
"""Where lines stand: -1, -0.5, 0, +0.5, +1; between the words of the rows, not through them."""


@dataclass(frozen=True, slots=True)
class BiasRow:
    """``bias`` is -1 to 1; None has no bar, and ``beside`` says why."""

    name: str
    bias: Fraction | None
    beside: str


def bias_bars(name: str, description: str, rows: Sequence[BiasRow]) -> Drawing:
    """To the right said closed more often than seen, to the left less often."""
    bottom = TOP + ROW * len(rows)
    marks: list[Mark] = [
        Text("tick", MIDDLE, TOP - 8, "0", "middle"),
        Text("note", LEFT, TOP - 8, "−1 under-confident"),
        Text("note", RIGHT, TOP - 8, "over-confident +1", "end"),
    ]
    for number, row in enumerate(rows):
        marks += _bar(row, TOP + ROW * number)
    return Drawing(name, description, WIDTH, bottom + 6, tuple(marks))


def _bar(row: BiasRow, top: float) -> list[Mark]:
    under, foot = top + 22, top + 38
    marks: list[Mark] = [Text("count", LEFT, top + 16, f"{row.name}: {row.beside}")]
    marks += [Line("axis" if x == MIDDLE else "grid", ((x, under), (x, foot))) for x in AT]
    if row.bias is None:
        return [*marks, Marker("gap", MIDDLE, (under + foot) / 2, "cross")]
    if row.bias:
        end = MIDDLE + float(row.bias) * (RIGHT - MIDDLE)
        marks.append(Box("bar", min(MIDDLE, end), under + 1, abs(end - MIDDLE), 14))
    return marks
