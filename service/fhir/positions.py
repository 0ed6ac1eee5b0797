"""Where in a text an element stands: the line and column of the expressions that issues carry.

Computed only where there are issues: the way to each is walked with the standard reader, which skips what
lies beside it. An element that is not there is placed at the nearest one around it that is.
"""

import re
from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import replace
from json import JSONDecoder
from typing import Protocol

from service.errors import Issue

__all__ = ["JsonPositions", "Position", "Positions", "Step", "located", "steps"]

Step = str | int
"""The name of an element, or a place in a list, counted from 0."""
Position = tuple[int, int]
"""Line and column, counted from 1; a column counts characters."""

_STEP = re.compile(r"\.?(?:\[(\d{1,9})\]|(\w+))(?:\.ofType\((\w+)\))?")
_SCANNER = JSONDecoder()
_SPACE = re.compile(r"[ \t\r\n]*")


class Positions(Protocol):
    """The places of a text's elements."""

    def of(self, path: Sequence[Step]) -> Position:
        """Answer where the element at the end of ``path`` begins, from the root of the text."""
        ...


def located(
    issues: Iterable[Issue], positions: Positions, *, within: Sequence[Step] = ()
) -> tuple[Issue, ...]:
    """Answer the issues with line and column, where they name an element and have no line yet.

    ``within`` is the way to the resource the issues are about, from the root of the text.
    """
    return tuple(_located(issue, positions, within) for issue in issues)


def _located(issue: Issue, positions: Positions, within: Sequence[Step]) -> Issue:
    way = issue.place.path or issue.place.expression
    if not way or issue.place.line is not None:
        return issue
    line, column = positions.of((*within, *steps(way)))
    return replace(issue, place=replace(issue.place, line=line, column=column))


def steps(expression: str) -> tuple[Step, ...]:
    """Read a FHIRPath of plain steps, its first the type: ``Patient.name[0].given`` is name, 0, given.

    ``value.ofType(Quantity)`` is valueQuantity. It ends at the first thing that is no plain step.
    """
    found: list[Step] = []
    position = 0
    while match := _STEP.match(expression, position):
        place, name, type_ = match.groups()
        found.append(int(place) if place else name + (type_[:1].upper() + type_[1:] if type_ else ""))
        position = match.end()
    return tuple(found[1:]) if found and str(found[0])[:1].isupper() else tuple(found)


class JsonPositions:
    """The places of a JSON text that was read strictly before."""

    def __init__(self, text: str) -> None:
        """``text`` without a byte order mark."""
        self._text = text
        self._lines = [0, *(found.end() for found in re.finditer("\n", text))]
        self._inner: dict[int, dict[Step, tuple[int, int]]] = {}

    def of(self, path: Sequence[Step]) -> Position:
        """Answer where the element begins: its name, or itself in a list."""
        start = self._after_space(0)
        _, offset = self._deepest(start, start, path)
        line = bisect_right(self._lines, offset)
        return line, offset - self._lines[line - 1] + 1

    def _deepest(self, offset: int, value: int, path: Sequence[Step]) -> tuple[int, int]:
        """How many steps can be gone from a value that begins at ``value``, and where that leads."""
        if not path:
            return 0, offset
        step, rest = path[0], path[1:]
        inner = self._inside(value)
        if isinstance(step, str) and step not in inner and f"_{step}" not in inner and 0 in inner:
            return self._deepest(*inner[0], path)  # a list, of which the path names no item
        ways = [inner[name] for name in (step, f"_{step}") if name in inner]
        ends = [self._deepest(*way, rest) for way in ways]
        done, end = max(ends, default=(-1, offset), key=lambda end: end[0])
        return done + 1, end

    def _inside(self, value: int) -> dict[Step, tuple[int, int]]:
        """The members of an object or items of a list: where each begins, and where its value does."""
        if value not in self._inner:
            opening = self._text[value]
            self._inner[value] = self._members(value) if opening == "{" else self._items(value)
        return self._inner[value]

    def _members(self, value: int) -> dict[Step, tuple[int, int]]:
        found: dict[Step, tuple[int, int]] = {}
        position = self._after_space(value + 1)
        while self._text[position] != "}":
            name, end = _SCANNER.raw_decode(self._text, position)
            low = self._after_space(self._after_space(end) + 1)
            found.setdefault(name, (position, low))
            position = self._next(low)
        return found

    def _items(self, value: int) -> dict[Step, tuple[int, int]]:
        found: dict[Step, tuple[int, int]] = {}
        position = self._after_space(value + 1) if self._text[value] == "[" else len(self._text)
        while position < len(self._text) and self._text[position] != "]":
            found[len(found)] = (position, position)
            position = self._next(position)
        return found

    def _next(self, low: int) -> int:
        """Where the next member or item begins, or the bracket that closes them."""
        _, end = _SCANNER.raw_decode(self._text, low)
        position = self._after_space(end)
        return self._after_space(position + 1) if self._text[position] == "," else position

    def _after_space(self, position: int) -> int:
        found = _SPACE.match(self._text, position)
        return found.end() if found else position
