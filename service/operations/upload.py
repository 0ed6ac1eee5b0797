"""A visit as it arrives: one record, and sheets that belong to it, from a request body, a form or files."""

from dataclasses import dataclass

from service.errors import InvalidInput, UnsupportedMediaType
from service.records.reading import Document, Syntax, read_record
from service.records.sheets import SheetKind, attach, read_sheet
from service.settings import Settings

__all__ = ["Upload", "UploadPart", "read_upload"]

_SYNTAXES: dict[str, Syntax] = {
    "application/json": "json",
    "application/yaml": "yaml",
    "application/x-yaml": "yaml",
    "text/yaml": "yaml",
    "text/x-yaml": "yaml",
}
_ENDINGS: dict[str, Syntax] = {"json": "json", "yaml": "yaml", "yml": "yaml"}
_SHEETS: dict[str, SheetKind] = {"trials": "trials", "boluses": "boluses"}


@dataclass(frozen=True, slots=True)
class UploadPart:
    """One part: ``name`` is ``record``, ``trials`` or ``boluses``; ``file_name`` is used in messages."""

    name: str
    content: bytes
    media_type: str = ""
    file_name: str = ""


@dataclass(frozen=True, slots=True)
class Upload:
    """The parts of one visit, and the name of the client that sent them (for Provenance)."""

    parts: tuple[UploadPart, ...]
    sender: str = ""


def read_upload(upload: Upload, settings: Settings) -> Document:
    """The record with its sheets' rows.

    InvalidInput if there is not exactly one record, a part's name is not known or its text can't be read;
    UnsupportedMediaType if a record is neither JSON nor YAML.
    """
    records = [part for part in upload.parts if part.name == "record"]
    strange = [part.name for part in upload.parts if part.name != "record" and part.name not in _SHEETS]
    if strange:
        raise InvalidInput(f"Part '{strange[0][:64]}' is not one of record, trials, boluses.")
    if len(records) != 1:
        raise InvalidInput(f"Exactly one part 'record' is expected; {len(records)} were sent.")
    document = read_record(records[0].content, _syntax(records[0]), max_depth=settings.max_depth)
    for part in upload.parts:
        if part.name in _SHEETS:
            sheet = read_sheet(part.content, _SHEETS[part.name], source=part.file_name or f"{part.name}.csv")
            document = attach(document, sheet)
    return document


def _syntax(part: UploadPart) -> Syntax:
    media_type = part.media_type.partition(";")[0].strip().lower()
    ending = part.file_name.rpartition(".")[2].lower()
    syntax = _SYNTAXES.get(media_type) or (
        _ENDINGS.get(ending) if media_type in ("", "application/octet-stream", "text/plain") else None
    )
    if syntax is None:
        raise UnsupportedMediaType("A visit record is application/json or application/yaml.")
    return syntax
