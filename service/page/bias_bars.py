"""Bias of the own judgement as bars from 0, a row each, whoever the rows are about."""

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from service.page.drawing import Box, Drawing, Line, Mark, Marker, Text

__all__ = ["BiasRow", "bias_bars"]

WIDTH, LEFT, RIGHT, ROW, TOP = 620, 100, 440, 26, 34
MIDDLE = (LEFT + RIGHT) / 2


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
    marks += [Line("grid", ((x, TOP), (x, bottom))) for x in (LEFT, (LEFT + MIDDLE) / 2, RIGHT)]
    marks.append(Line("grid", (((RIGHT + MIDDLE) / 2, TOP), ((RIGHT + MIDDLE) / 2, bottom))))
    for number, row in enumerate(rows):
        marks += _bar(row, TOP + ROW * number)
    marks.append(Line("axis", ((MIDDLE, TOP), (MIDDLE, bottom))))
    return Drawing(name, description, WIDTH, bottom + 6, tuple(marks))


def _bar(row: BiasRow, top: float) -> list[Mark]:
    middle = top + ROW / 2
    marks: list[Mark] = [Text("tick", LEFT - 8, middle + 4.5, row.name, "end")]
    if row.bias is None:
        gap = Text("note", MIDDLE + 12, middle + 4.5, row.beside)
        return [*marks, Marker("gap", MIDDLE, middle, "cross"), gap]
    end = MIDDLE + float(row.bias) * (RIGHT - MIDDLE)
    if row.bias:
        marks.append(Box("bar", min(MIDDLE, end), top + 6, abs(end - MIDDLE), ROW - 12))
    return [*marks, Text("count", RIGHT + 12, middle + 4.5, row.beside)]
