"""Text of HL7 v2 messages: delimiters, escape sequences, character sets (v2.5.1 chapter 2).

A field is repetitions, a repetition is components, a component is a text or its subcomponents.
"""

import re
from collections.abc import Mapping, Sequence
from typing import NamedTuple

__all__ = [
    "CHARACTER_SETS",
    "UTF_8",
    "Component",
    "Delimiters",
    "Repetition",
    "escaped",
    "segment",
    "unescaped",
]

Component = str | Sequence[str]
Repetition = Sequence[Component]

UTF_8 = "UNICODE UTF-8"
CHARACTER_SETS = {"": "ascii", "ASCII": "ascii", "8859/1": "latin-1", UTF_8: "utf-8"}
"""MSH-18 (HL7 table 0211) and the codec of each; an empty one is ASCII."""

_FORMATTED = {"FT", "TX"}
"""Types in which a line ends by ``\\.br\\``; in others by its character."""
_LINE = re.compile(r"\r\n|\r|\n")
_CONTROL = re.compile(r"[\x00-\x1f\x7f]+")
_SPECIAL = re.compile(r"[\x00-\x1f\x7f|^~\\&]")
_HEX = re.compile(r"X((?:[0-9A-Fa-f]{2})+)")
_SPACE = re.compile(r"\.(?:sp|sk|br)(?:\+?(\d{1,2}))?")


class Delimiters(NamedTuple):
    """The five characters of a message, as its MSH-1 and MSH-2 say."""

    field: str = "|"
    component: str = "^"
    repetition: str = "~"
    escape: str = "\\"
    subcomponent: str = "&"

    @property
    def letters(self) -> dict[str, str]:
        """The letter by which each is escaped."""
        return dict(zip("FSRET", self, strict=True))


USUAL = Delimiters()
_ESCAPES = str.maketrans({mark: f"\\{letter}\\" for letter, mark in USUAL.letters.items()})


def escaped(text: str, type_: str = "ST", codec: str = "utf-8") -> str:
    r"""Answer a text as it stands in a message with the usual delimiters.

    Control characters become ``\Xdd..\``, ends of lines in formatted text ``\.br\``.
    """
    if not _SPECIAL.search(text):
        return text
    text = text.translate(_ESCAPES)
    if type_ in _FORMATTED:
        text = _LINE.sub(lambda _: "\\.br\\", text)
    return _CONTROL.sub(lambda found: f"\\X{found[0].encode(codec).hex().upper()}\\", text)


def unescaped(text: str, delimiters: Delimiters = USUAL, codec: str = "utf-8") -> str:
    """Answer what a text of a message says.

    Highlighting and layout that plain text can't show go; what is no escape sequence, or one of a site's own,
    stays as it came.
    """
    mark = delimiters.escape
    if mark not in text:
        return text
    parts = text.split(mark)
    said = [parts[0]]
    at = 1
    while at < len(parts):
        if at + 1 == len(parts):  # one that is not closed
            said.append(mark + parts[at])
            break
        said += [_meant(parts[at], delimiters, codec), parts[at + 1]]
        at += 2
    return "".join(said)


def _meant(sequence: str, delimiters: Delimiters, codec: str) -> str:
    """What one escape sequence stands for."""
    if sequence in delimiters.letters:
        return delimiters.letters[sequence]
    if sequence in {"H", "N"}:
        return ""
    if found := _HEX.fullmatch(sequence):
        return bytes.fromhex(found[1]).decode(codec, "replace")
    if found := _SPACE.fullmatch(sequence):
        return (" " if sequence.startswith(".sk") else "\n") * int(found[1] or 1)
    return "" if sequence.startswith(".") else f"{delimiters.escape}{sequence}{delimiters.escape}"


def segment(name: str, fields: Mapping[int, str]) -> str:
    """Answer a segment of written fields, without its end; MSH brings its delimiters by itself."""
    texts = [fields.get(number, "") for number in range(1, max(fields, default=0) + 1)]
    if name == "MSH":  # the first field is the delimiter itself
        texts = ["^~\\&", *texts[2:]]
    return "|".join([name, *texts])


def written(repetition: Repetition, type_: str = "ST", codec: str = "utf-8") -> str:
    """Answer one repetition of a field as it stands in a message; empty components at its end go."""
    texts = [_component(one, type_, codec) for one in repetition]
    return "^".join(texts).rstrip("^")


def _component(component: Component, type_: str, codec: str) -> str:
    if isinstance(component, str):
        return escaped(component, type_, codec)
    return "&".join(escaped(one, type_, codec) for one in component).rstrip("&")
