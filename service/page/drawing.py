"""A drawing as plain marks, and marks as SVG that stands alone and needs no script.

Marks carry a role instead of colours: the page's style sheet decides how a role looks by day, at night and on
paper, so that a drawing follows the reader's settings. Lengths are in CSS pixels at the drawing's own size.
"""

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

from markupsafe import Markup, escape

__all__ = ["Box", "Drawing", "Line", "Mark", "Marker", "Point", "Text", "steps", "svg"]

Point = tuple[float, float]
MARKER = 5.5


@dataclass(frozen=True, slots=True)
class Line:
    """Joined points."""

    role: str
    points: Sequence[Point]

    def svg(self) -> str:
        """One polyline."""
        points = " ".join(f"{_length(x)},{_length(y)}" for x, y in self.points)
        return f'<polyline class="{self.role}" points="{points}"/>'


@dataclass(frozen=True, slots=True)
class Box:
    """A rectangle by its upper left corner."""

    role: str
    x: float
    y: float
    width: float
    height: float

    def svg(self) -> str:
        """One rect."""
        return (
            f'<rect class="{self.role}" x="{_length(self.x)}" y="{_length(self.y)}" '
            f'width="{_length(self.width)}" height="{_length(self.height)}"/>'
        )


@dataclass(frozen=True, slots=True)
class Marker:
    """A data point: filled or open is told by the role, the rest by the shape."""

    role: str
    x: float
    y: float
    shape: Literal["circle", "diamond", "square", "cross"] = "circle"

    def svg(self) -> str:
        """One circle or path."""
        x, y, r = self.x, self.y, MARKER
        if self.shape == "circle":
            return f'<circle class="{self.role}" cx="{_length(x)}" cy="{_length(y)}" r="{_length(r)}"/>'
        if self.shape == "cross":
            path = f"M{_path([(x - r, y - r), (x + r, y + r)])}M{_path([(x - r, y + r), (x + r, y - r)])}"
        elif self.shape == "square":
            path = f"M{_path([(x - r, y - r), (x + r, y - r), (x + r, y + r), (x - r, y + r)])}Z"
        else:
            path = f"M{_path([(x, y - r - 1), (x + r + 1, y), (x, y + r + 1), (x - r - 1, y)])}Z"
        return f'<path class="{self.role}" d="{path}"/>'


@dataclass(frozen=True, slots=True)
class Text:
    """Words at a point: ``anchor`` says which end of them is there, ``upright`` turns them."""

    role: str
    x: float
    y: float
    words: str
    anchor: Literal["start", "middle", "end"] = "start"
    upright: bool = False

    def svg(self) -> str:
        """One text."""
        x, y = _length(self.x), _length(self.y)
        turned = f' transform="rotate(-90 {x} {y})"' if self.upright else ""
        return (
            f'<text class="{self.role}" x="{x}" y="{y}" text-anchor="{self.anchor}"{turned}>'
            f"{escape(self.words)}</text>"
        )


Mark = Line | Box | Marker | Text


@dataclass(frozen=True, slots=True)
class Drawing:
    """Marks in drawing order on a sheet, with a name and the same told in words."""

    name: str
    description: str
    width: float
    height: float
    marks: tuple[Mark, ...]


def steps(points: Sequence[Point]) -> list[Point]:
    """A path that keeps each height until the next point."""
    path = list(points[:1])
    for (_, before), (x, y) in pairwise(points):
        path += [(x, before), (x, y)]
    return path


def svg(drawing: Drawing, style: str = "") -> Markup:
    """Write inline SVG, named and described for those who do not see it.

    ``style`` is a style sheet to carry along where the drawing leaves the page; the page has its own.
    """
    body = "".join(mark.svg() for mark in drawing.marks)
    text = f"{drawing.name} {drawing.description} {body}"
    own = hashlib.sha256(text.encode()).hexdigest()[:12]
    sheet = f"<style>{style}</style>" if style else ""
    return Markup(  # noqa: S704 - every text is escaped where it is put in
        f'<svg xmlns="http://www.w3.org/2000/svg" class="chart" width="{_length(drawing.width)}" '
        f'viewBox="0 0 {_length(drawing.width)} {_length(drawing.height)}" '
        f'role="img" aria-labelledby="t{own} d{own}">{sheet}'
        f'<title id="t{own}">{escape(drawing.name)}</title>'
        f'<desc id="d{own}">{escape(drawing.description)}</desc><g aria-hidden="true">{body}</g></svg>'
    )


def _path(points: Iterable[Point]) -> str:
    return "L".join(f"{_length(x)} {_length(y)}" for x, y in points)


def _length(number: float) -> str:
    return f"{number:.1f}".rstrip("0").rstrip(".")
