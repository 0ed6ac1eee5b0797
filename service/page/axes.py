"""Scales of a drawing: days along the bottom, values up the side, with their lines and labels."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from service.page.drawing import Line, Mark, Text
from service.page.view_model import Measure
from service.page.words import level

__all__ = ["Days", "Values"]

LETTER = 7
"""Width of a letter of a label, for telling whether two labels touch."""


@dataclass(frozen=True, slots=True)
class Days:
    """A real date axis from ``left`` to ``right``."""

    first: date
    last: date
    left: float
    right: float

    @classmethod
    def over(cls, days: Sequence[date], due: date | None, left: float, right: float) -> "Days":
        """Hold all days, and the due date where that does not squeeze them."""
        first, last = min(days), max(days)
        length = max((last - first).days, 7)
        if due and last < due <= last + timedelta(days=length // 2):
            last = due
        pad = timedelta(days=max(length // 25, 1))
        return cls(first - pad, last + pad, left, right)

    def __call__(self, day: date) -> float:
        """Where a day is; days beyond the ends are at the end."""
        share = (day - self.first).days / (self.last - self.first).days
        return self.left + (self.right - self.left) * min(max(share, 0), 1)

    def labels(self, days: Iterable[date], y: float) -> list[Mark]:
        """A tick per day, and its date wherever there is room for one."""
        marks: list[Mark] = [Line("axis", ((self.left, y), (self.right, y)))]
        taken = float("-inf")
        for day in sorted(set(days)):
            x = self(day)
            marks.append(Line("axis", ((x, y), (x, y + 5))))
            words = f"{day.day} {day:%b %Y}" if self.first.year != self.last.year else f"{day.day} {day:%b}"
            half = len(words) * LETTER / 2
            if x - half >= taken:
                marks.append(Text("tick", x, y + 19, words, "middle"))
                taken = x + half + LETTER
        return marks


@dataclass(frozen=True, slots=True)
class Values:
    """A measure's whole scale from ``bottom`` up to ``top``; levels stand half a step above the bottom."""

    measure: Measure
    bottom: float
    top: float

    @property
    def floor(self) -> float:
        """The value at the bottom."""
        measure = self.measure
        return measure.low - measure.step / 2 if measure.kind == "levels" else measure.low

    def __call__(self, value: float) -> float:
        """Where a value is."""
        share = (value - self.floor) / (self.measure.high - self.floor)
        return self.bottom - (self.bottom - self.top) * share

    def lines(self, left: float, right: float) -> list[Mark]:
        """A line and a label per step; a line at each level, as between levels there is nothing."""
        measure, marks = self.measure, list[Mark]()
        for number in range(round((measure.high - measure.low) / measure.step) + 1):
            value = measure.low + number * measure.step
            y = self(value)
            marks.append(Line("grid", ((left, y), (right, y))))
            marks.append(Text("tick", left - 8, y + 4.5, _label(measure, value), "end"))
        return marks


def _label(measure: Measure, value: float) -> str:
    if measure.kind == "levels":
        return level(measure, value)
    sign = "+" if measure.low < 0 < value else ""
    return f"{sign}{value:g}{f' {measure.unit}' if measure.unit in ('%', 'kg') else ''}".replace("-", "−")
