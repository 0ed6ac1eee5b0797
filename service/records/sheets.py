"""CSV sheets: one row per trial or per bolus, belonging to a visit record.

The column ``record`` of each row holds the value of the record's identifier; the other headings are the
field names of a trial or a bolus, in any order; several words in one cell are parted by ``;``. Accepted are
comma, semicolon (with decimal commas, as spreadsheets of many countries write them) and tab, UTF-8 with or
without a byte-order mark. The first row holds the headings.
"""

import csv
import io
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Literal, get_origin

from service.errors import InvalidInput, Issue, IssueType, Place
from service.records.places import Path
from service.records.reading import Document, decode
from service.records.visit import Bolus, Practitioner, Trial

__all__ = ["Sheet", "SheetKind", "attach", "read_sheet"]

SheetKind = Literal["trials", "boluses"]

_MODELS: dict[SheetKind, type[Trial | Bolus]] = {"trials": Trial, "boluses": Bolus}
_PARTS: dict[SheetKind, str] = {"trials": "training", "boluses": "swallow_study"}
_KEY = "record"
_DECIMAL_COMMA = re.compile(r"[+-]?\d+,\d+")
_PERSON_COLUMNS: dict[str, tuple[str, ...]] = {
    "system": ("identifier", "system"),
    "value": ("identifier", "value"),
    "name": ("name",),
}


@dataclass(frozen=True, slots=True)
class Sheet:
    """The rows of one sheet as trees, each with its place and the record it names."""

    kind: SheetKind
    source: str
    rows: tuple[tuple[Place, str, dict[str, Any]], ...]


def read_sheet(data: bytes, kind: SheetKind, *, source: str) -> Sheet:
    """Read a sheet; ``source`` is the name to call it by in messages (the file's name).

    Raises InvalidInput naming every row that has too many or too few cells, every unknown, missing or
    repeated heading, or an empty sheet.
    """
    text = decode(data)
    separator = _separator(text)
    lines = [(number, cells) for number, cells in _lines(text, separator, source) if any(cells)]
    if not lines:
        raise InvalidInput(
            _issue(f"{source} is empty; a row of headings and one row per entry are expected.", source)
        )
    (_, headings), *rows = lines
    headings = [heading.strip() for heading in headings]
    problems = [*_heading_problems(headings, kind, source), *_shifted(rows, len(headings), source)]
    if not rows:
        problems.append(_issue(f"{source} has headings but no rows.", source, row=1))
    if problems:
        raise InvalidInput(problems)
    read = [(n, _row(headings, cells, kind, decimal_comma=separator == ";")) for n, cells in rows]
    return Sheet(kind, source, tuple((Place(source=source, row=n), *row) for n, row in read))


def attach(document: Document, sheet: Sheet) -> Document:
    """The document with the sheet's rows appended to its trials or boluses.

    Raises InvalidInput for every row that names another record.
    """
    record = document.tree.get("record")
    value = str(record.get("value", "")) if isinstance(record, dict) else ""
    if strays := [_stray(place, name, value) for place, name, _ in sheet.rows if name != value]:
        raise InvalidInput(strays)
    part = _PARTS[sheet.kind]
    holder = document.tree.get(part)
    holder = {} if holder is None else holder
    present = holder.get(sheet.kind) if isinstance(holder, dict) else None
    present = [] if present is None else present
    if not isinstance(holder, dict) or not isinstance(present, list):
        message = f"Field '{part}' of the record must be a group with a list '{sheet.kind}'."
        raise InvalidInput(Issue(message, code=IssueType.STRUCTURE, place=document.places.at((part,))))
    rows = [tree for _, _, tree in sheet.rows]
    tree = {**document.tree, part: {**holder, sheet.kind: [*present, *rows]}}
    places: dict[Path, Place] = {
        (part, sheet.kind, len(present) + n): place for n, (place, _, _) in enumerate(sheet.rows)
    }
    return Document(tree, document.places.with_rows(places))


def _separator(text: str) -> str:
    first = text.lstrip().partition("\n")[0]
    return max(",;\t", key=first.count)


def _lines(text: str, separator: str, source: str) -> Iterator[tuple[int, list[str]]]:
    """Row number as a spreadsheet shows it, and the cells, of every row."""
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    try:
        for number, cells in enumerate(reader, 1):
            yield number, [cell.strip() for cell in cells]
    except csv.Error as error:
        message = f"{source} line {reader.line_num} is not valid CSV: {error}."
        raise InvalidInput(_issue(message, source, row=reader.line_num)) from None


def _heading_problems(headings: list[str], kind: SheetKind, source: str) -> Iterator[Issue]:
    known = {_KEY, *_headings(kind)}
    for heading in dict.fromkeys(headings):
        if not heading:
            yield _issue("A column has no heading.", source, row=1)
        elif heading not in known:
            message = f"Heading '{heading[:40]}' is not known; use: {', '.join(sorted(known))}."
            yield _issue(message, source, row=1, field=heading[:40])
        elif headings.count(heading) > 1:
            yield _issue(
                f"Heading '{heading}' is there {headings.count(heading)} times; keep one.", source, row=1
            )
    for needed in (_KEY, *_required(kind)):
        if needed not in headings:
            yield _issue(f"Heading '{needed}' is missing.", source, row=1, field=needed)


def _shifted(rows: list[tuple[int, list[str]]], width: int, source: str) -> Iterator[Issue]:
    for number, cells in rows:
        if len(cells) != width:
            message = f"Row {number} has {len(cells)} cells, the heading has {width}; a column is shifted."
            yield _issue(message, source, row=number)


def _headings(kind: SheetKind) -> dict[str, tuple[str, ...]]:
    """Every heading of a kind of sheet, and where its cell goes in the row's tree."""
    paths: dict[str, tuple[str, ...]] = {}
    for name, field in _MODELS[kind].model_fields.items():
        if Practitioner in getattr(field.annotation, "__args__", ()):
            paths |= {f"{name}_{end}": (name, *path) for end, path in _PERSON_COLUMNS.items()}
        else:
            paths[name] = (name,)
    return paths


def _required(kind: SheetKind) -> list[str]:
    return [name for name, field in _MODELS[kind].model_fields.items() if field.is_required()]


def _lists(kind: SheetKind) -> set[str]:
    return {
        name for name, field in _MODELS[kind].model_fields.items() if get_origin(field.annotation) is list
    }


def _row(
    headings: list[str], cells: list[str], kind: SheetKind, *, decimal_comma: bool
) -> tuple[str, dict[str, Any]]:
    """The record a row names, and its tree."""
    paths, lists = _headings(kind), _lists(kind)
    tree: dict[str, Any] = {}
    record = ""
    for heading, cell in zip(headings, cells, strict=True):
        if heading == _KEY:
            record = cell
        elif cell:
            _put(tree, paths[heading], _cell(cell, heading in lists, decimal_comma))
    return record, tree


def _cell(cell: str, several: bool, decimal_comma: bool) -> Any:
    if several:
        return [word.strip() for word in cell.split(";") if word.strip()]
    if decimal_comma and _DECIMAL_COMMA.fullmatch(cell):
        return cell.replace(",", ".")
    return cell


def _put(tree: dict[str, Any], path: tuple[str, ...], value: Any) -> None:
    *holders, last = path
    for step in holders:
        tree = tree.setdefault(step, {})
    tree[last] = value


def _stray(place: Place, name: str, value: str) -> Issue:
    if not name:
        message = f"Row {place.row} names no record; write '{value}' in the column '{_KEY}'."
    else:
        message = f"Row {place.row} belongs to record '{name[:80]}', but this record is '{value}'."
    return Issue(message, place=Place(source=place.source, row=place.row, field=_KEY))


def _issue(message: str, source: str, *, row: int | None = None, field: str = "") -> Issue:
    return Issue(message, code=IssueType.STRUCTURE, place=Place(source=source, row=row, field=field))
