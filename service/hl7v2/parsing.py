"""Reading messages that come in. The one file that knows ``hl7``, which takes them apart.

Its reading of escape sequences is not used: it logs the texts it can't read, and those are about people.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass

import hl7

from service.hl7v2.encoding import CHARACTER_SETS, Delimiters, unescaped
from service.hl7v2.problem import Place, Problem, Refused

__all__ = ["Components", "Received", "Segment", "header", "part", "read"]

Components = list[list[str]]
_MARKS = 5
_LINE = re.compile(r"\r?\n")
"""Segments end by a carriage return; common practice, no source: some send line feeds."""


@dataclass(frozen=True, slots=True)
class Segment:
    """One segment; ``fields`` are repetitions of components of subcomponents, unescaped; the first is 1."""

    name: str
    fields: Sequence[list[Components]]

    def field(self, number: int) -> list[Components]:
        """Answer the repetitions that say something."""
        found = self.fields[number - 1] if number <= len(self.fields) else []
        return [one for one in found if any(any(part) for part in one)]

    def text(self, number: int, component: int = 1) -> str:
        """Answer a component of the first repetition, empty if it is not there."""
        return part(next(iter(self.field(number)), []), component)


def part(repetition: Components, component: int, subcomponent: int = 1) -> str:
    """Answer one text of a repetition, empty if it is not there."""
    parts = repetition[component - 1] if component <= len(repetition) else []
    return parts[subcomponent - 1] if subcomponent <= len(parts) else ""


@dataclass(frozen=True, slots=True)
class Received:
    """A message that was read."""

    segments: Sequence[Segment]

    @property
    def header(self) -> Segment:
        """MSH."""
        return self.segments[0]

    def all(self, name: str) -> list[Segment]:
        """Answer the segments of a name, in order."""
        return [one for one in self.segments if one.name == name]


def read(content: bytes) -> Received:
    """Take a message apart. Refused if it is none, or not in the character set it names."""
    delimiters = _delimiters(content)
    codec = _codec(content, delimiters)
    try:
        text = content.decode(codec)
    except UnicodeDecodeError:
        raise Refused(Problem("not-text", Place("MSH", 1, 18))) from None
    try:
        message = hl7.parse(_LINE.sub("\r", text))
        return Received([_segment(one, delimiters, codec) for one in message if str(one)])
    except (hl7.HL7Exception, AssertionError, IndexError, ValueError, RecursionError):
        raise Refused(Problem("unreadable")) from None


def header(content: bytes) -> Segment:
    """Answer as much of MSH as can be read of a message that could not be; without fields if nothing."""
    try:
        delimiters = _delimiters(content)
    except Refused:
        return Segment("MSH", [])
    line = content.splitlines()[0].decode("latin-1")
    texts = line.split(delimiters.field)[1:40]
    return Segment("MSH", [[], *([[[unescaped(text, delimiters)]]] for text in texts)][:40])


def _delimiters(content: bytes) -> Delimiters:
    marks = content[3 : 3 + _MARKS].decode("latin-1")
    unusual = any(mark.isalnum() or not mark.isprintable() for mark in marks)
    if not content.startswith(b"MSH") or len({*marks}) < _MARKS or unusual:
        raise Refused(Problem("unreadable"))
    return Delimiters(*marks)


def _codec(content: bytes, delimiters: Delimiters) -> str:
    fields = content.splitlines()[0].decode("latin-1").split(delimiters.field)
    named = (fields[17] if len(fields) > 17 else "").partition(delimiters.repetition)[0]
    if named not in CHARACTER_SETS:
        raise Refused(Problem("character-set", Place("MSH", 1, 18)))
    return CHARACTER_SETS[named]


def _segment(segment: hl7.Segment, delimiters: Delimiters, codec: str) -> Segment:
    fields = [_field(one, delimiters, codec) for one in segment[1:]]
    return Segment(str(segment[0]), fields)


def _field(field: object, delimiters: Delimiters, codec: str) -> list[Components]:
    """The library leaves levels out that a field does not need."""
    return [
        [[unescaped(str(text), delimiters, codec) for text in _inner(one)] for one in _inner(repetition)]
        for repetition in _inner(field)
    ]


def _inner(value: object) -> Sequence[object]:
    return value if isinstance(value, hl7.Container) else [value]
