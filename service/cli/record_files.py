"""Visit records and their sheets as files: which belong together, and in which order they go in."""

import csv
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

import click

from service.errors import InvalidInput, Issue, Place
from service.operations.upload import Upload, UploadPart, read_upload
from service.records.reading import decode
from service.records.shape import headline
from service.settings import Settings

__all__ = ["RecordFile", "record_files"]

_RECORDS = frozenset({".yaml", ".yml", ".json"})
_LAST = datetime.max.replace(tzinfo=UTC)


@dataclass(slots=True)
class RecordFile:
    """One record's file, the sheets that name it, and when its visit began (far future if unreadable)."""

    path: Path
    upload: Upload
    record: str = ""
    start: datetime = _LAST
    sheets: list[Path] = field(default_factory=list)


def record_files(paths: Iterable[Path], settings: Settings) -> list[RecordFile]:
    """The records among files and folders, in the order of their visits, each with its sheets.

    A sheet belongs to the record that its column ``record`` names. InvalidInput names every file that is
    neither a record nor a sheet of one of them.
    """
    files = _expanded(paths)
    found = [_record(path, settings) for path in files if path.suffix.lower() in _RECORDS]
    by_name = {one.record: one for one in found}
    problems = []
    for sheet in (path for path in files if path.suffix.lower() == ".csv"):
        kind, record = _sheet(sheet)
        if kind and record in by_name:
            holder = by_name[record]
            holder.sheets.append(sheet)
            part = UploadPart(kind, sheet.read_bytes(), "text/csv", sheet.name)
            holder.upload = Upload((*holder.upload.parts, part))
        else:
            problems.append(_stray(sheet, kind, record))
    if problems:
        raise InvalidInput(problems)
    return sorted(found, key=lambda one: (one.start, one.path.name))


def _expanded(paths: Iterable[Path]) -> Sequence[Path]:
    files: list[Path] = []
    for path in paths:
        inside = (
            [one for one in path.iterdir() if one.suffix.lower() in _RECORDS | {".csv"}]
            if path.is_dir()
            else [path]
        )
        files.extend(sorted(inside))
    for path in files:
        if path.suffix.lower() not in _RECORDS | {".csv"}:
            raise click.BadParameter(f"{path}: a visit record is .yaml, .yml or .json, a sheet .csv.")
    return files


def _record(path: Path, settings: Settings) -> RecordFile:
    one = RecordFile(path, Upload((UploadPart("record", path.read_bytes(), file_name=path.name),)))
    try:
        head = headline(read_upload(one.upload, settings), zone=settings.zone)
    except InvalidInput:
        return one  # taking it in says what is wrong, as one of the refused
    one.record = head.record.value if head.record else ""
    one.start = head.start or _LAST
    return one


def _sheet(path: Path) -> tuple[str, str]:
    """Which kind of sheet it is, and the record its first row names; empty where it can't be told."""
    text = decode(path.read_bytes())
    separator = max(",;\t", key=text.partition("\n")[0].count)
    rows = list(csv.reader(text.splitlines()[:2], delimiter=separator))
    if len(rows) < 2:
        return "", ""
    row = dict(zip((cell.strip() for cell in rows[0]), rows[1], strict=False))
    kind = "trials" if "trial" in row else "boluses" if "sequence" in row else ""
    return kind, row.get("record", "").strip()


def _stray(sheet: Path, kind: str, record: str) -> Issue:
    if not kind:
        message = f"{sheet.name} is neither a trial sheet nor a bolus sheet."
    else:
        message = f"{sheet.name} names record '{record[:80]}', which is not among the files given."
    return Issue(message, place=Place(source=sheet.name, row=2, field="record"))
