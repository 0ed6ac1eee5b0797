"""Text to tree: a visit record in JSON or YAML, with the place of every value.

YAML is read by the core schema of YAML 1.2, narrowed to what JSON can say: ``yes`` and ``no`` stay words,
dates stay text, a number is what JSON calls a number (so ``02139`` stays text) and keeps its decimals. Tags,
anchors, aliases, several documents and repeated fields are refused: each can make two readers see two
records.
"""

import re
from dataclasses import dataclass
from decimal import Decimal
from typing import Any, Literal, NoReturn

from yaml import CSafeLoader, parse
from yaml.error import MarkedYAMLError, YAMLError
from yaml.events import (
    AliasEvent,
    DocumentStartEvent,
    Event,
    MappingEndEvent,
    MappingStartEvent,
    ScalarEvent,
    SequenceEndEvent,
    SequenceStartEvent,
)

from service.errors import InvalidInput, Issue, IssueType, Place
from service.fhir import json
from service.records.places import Path, Places

__all__ = ["Document", "Syntax", "decode", "read_record"]

Syntax = Literal["json", "yaml"]

_NUMBER = re.compile(r"-?(0|[1-9]\d{0,29})(\.\d{1,30})?([eE][+-]?\d{1,2})?")
_WORDS = {"": None, "~": None, "null": None, "Null": None, "NULL": None}
_BOOLEANS = {"true": True, "True": True, "TRUE": True, "false": False, "False": False, "FALSE": False}


@dataclass(frozen=True, slots=True)
class Document:
    """A record as a plain tree (text, int, Decimal, bool, None, list, dict) and the places of its values."""

    tree: dict[str, Any]
    places: Places


def read_record(data: bytes, syntax: Syntax, *, max_depth: int = 64) -> Document:
    """Read one visit record; ``max_depth`` is the deepest nesting accepted.

    Raises InvalidInput with line and column when the text can't be read as one JSON object or YAML mapping.
    """
    if syntax == "json":
        return Document(json.parse(data, max_depth=max_depth), Places())
    return _YamlReader(max_depth).read(decode(data))


def decode(data: bytes) -> str:
    """UTF-8 text, with or without a byte-order mark."""
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise _invalid(
            f"The text is not UTF-8 (byte {error.start + 1}, line {line}). Save the file as UTF-8 first.",
            line=line,
        ) from None


class _YamlReader:
    """Builds the tree from parser events, so that nothing is expanded, tagged or nested out of bounds."""

    def __init__(self, max_depth: int) -> None:
        self._max_depth = max_depth
        self._marks: dict[Path, tuple[int, int]] = {}
        self._top: list[Any] = []
        self._open: list[Any] = [self._top]
        self._keys: list[str | None] = [None]
        self._path: list[str | int] = []
        self._documents = 0

    def read(self, text: str) -> Document:
        try:
            for event in parse(text, Loader=CSafeLoader):
                self._take(event)
        except MarkedYAMLError as error:
            # The library looks ahead, up to a limit of its own.
            if "nesting depth" in (error.problem or ""):
                raise _invalid(self._too_deep(), line=error.problem_mark.line + 1) from None
            _refuse_text(error)
        except YAMLError as error:
            raise _invalid(f"This is not valid YAML: {_clean(str(error))}.") from None
        if not self._top:
            raise _invalid("The text is empty; a visit record is expected.")
        if not isinstance(self._top[0], dict):
            raise _invalid("A visit record is a group of named fields, such as 'visit_record: 1'.", line=1)
        return Document(self._top[0], Places(self._marks))

    def _take(self, event: Event) -> None:
        match event:
            case DocumentStartEvent():
                self._documents += 1
                if self._documents > 1:
                    _refuse(event, "The text holds several YAML documents; send one visit record at a time.")
            case AliasEvent():
                _refuse(event, f"Alias '*{event.anchor}' is not accepted; write the value out.")
            case ScalarEvent():
                self._scalar(event)
            case MappingStartEvent() | SequenceStartEvent():
                self._begin(event, {} if isinstance(event, MappingStartEvent) else [])
            case MappingEndEvent() | SequenceEndEvent():
                self._end()

    def _scalar(self, event: Any) -> None:
        _refuse_extras(event)
        if self._expects_key():
            self._key(event, event.value)
        else:
            self._add(event, event.value if event.style else _plain_value(event.value))

    def _begin(self, event: Any, container: dict[str, Any] | list[Any]) -> None:
        _refuse_extras(event)
        if self._expects_key():
            _refuse(event, "The name of a field must be plain text.")
        if len(self._open) > self._max_depth:
            _refuse(event, self._too_deep())
        self._add(event, container)
        holder = self._open[-1]
        self._path.append(self._keys[-1] or "" if isinstance(holder, dict) else len(holder) - 1)
        self._open.append(container)
        self._keys.append(None)

    def _end(self) -> None:
        self._open.pop()
        self._keys.pop()
        self._path.pop()
        self._keys[-1] = None

    def _too_deep(self) -> str:
        return f"The text is nested deeper than {self._max_depth} levels."

    def _expects_key(self) -> bool:
        return isinstance(self._open[-1], dict) and self._keys[-1] is None

    def _key(self, event: Any, name: str) -> None:
        if name in self._open[-1]:
            first = self._marks[(*self._here(), name)][0]
            _refuse(event, f"Field '{name}' is given twice (first on line {first}); keep one.")
        self._open[-1][name] = None
        self._keys[-1] = name
        self._marks[(*self._here(), name)] = _mark(event)

    def _here(self) -> Path:
        return tuple(self._path[1:])

    def _add(self, event: Any, value: Any) -> None:
        holder = self._open[-1]
        if isinstance(holder, dict):
            holder[self._keys[-1]] = value
            if not isinstance(value, dict | list):
                self._keys[-1] = None
            return
        holder.append(value)
        if len(self._open) > 1:
            self._marks[(*self._here(), len(holder) - 1)] = _mark(event)


def _plain_value(text: str) -> Any:
    """The value of an unquoted YAML scalar."""
    if text in _WORDS:
        return None
    if text in _BOOLEANS:
        return _BOOLEANS[text]
    if found := _NUMBER.fullmatch(text):
        return Decimal(text) if found[2] or found[3] or text == "-0" else int(text)
    return text


def _refuse_extras(event: Any) -> None:
    if event.anchor is not None:
        _refuse(event, f"Anchor '&{event.anchor}' is not accepted; write the value out where it is wanted.")
    if event.tag is not None:
        _refuse(event, f"YAML tag '{str(event.tag)[:40]}' is not accepted; write the plain value.")


def _mark(event: Any) -> tuple[int, int]:
    return event.start_mark.line + 1, event.start_mark.column + 1


def _refuse(event: Any, message: str) -> NoReturn:
    line, column = _mark(event)
    raise _invalid(message, line=line, column=column)


def _refuse_text(error: MarkedYAMLError) -> NoReturn:
    mark = error.problem_mark or error.context_mark
    problem = _clean(f"{error.context or ''} {error.problem or ''}")
    line, column = (mark.line + 1, mark.column + 1) if mark else (None, None)
    where = f" (line {line}, column {column})" if line else ""
    raise _invalid(f"This is not valid YAML: {problem}{where}.", line=line, column=column) from None


def _clean(text: str) -> str:
    return " ".join(text.split())[:200]


def _invalid(message: str, *, line: int | None = None, column: int | None = None) -> InvalidInput:
    return InvalidInput(Issue(message, code=IssueType.STRUCTURE, place=Place(line=line, column=column)))
