"""A folder of tables: begun beside its name, with a dictionary, a manifest and checksums, then moved there.

It appears under its own name when everything is in it, or not at all.
"""

import hashlib
import shutil
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import msgspec

from service.errors import InvalidInput
from service.fhir.json import dump
from service.jobs.data_dictionary import as_csv, as_json, as_markdown
from service.jobs.table_files import Format
from service.jobs.tables import Table, tables

__all__ = ["described", "digest", "file_name", "finished", "new_folder"]

SUMS = "SHA256SUMS"


@contextmanager
def new_folder(folder: Path) -> Iterator[Path]:
    """Give a folder to write in, which becomes ``folder`` at the end and goes away after an error.

    InvalidInput if ``folder`` holds something already.
    """
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise InvalidInput(
            f"{folder} is there already; name a new folder, so that no release is overwritten."
        )
    fresh = folder.with_name(f"{folder.name}.new")
    shutil.rmtree(fresh, ignore_errors=True)
    fresh.mkdir(mode=0o700, parents=True)
    try:
        yield fresh
        fresh.replace(folder)
    finally:
        shutil.rmtree(fresh, ignore_errors=True)


def file_name(table: Table, format_: Format) -> str:
    """The name of a table's file."""
    return f"{table.name}.{format_}"


def described(folder: Path, format_: Format, rows: Mapping[str, int]) -> list[dict[str, Any]]:
    """What a manifest says of each table in ``folder``; ``rows`` counts theirs."""
    return [_told(table, folder / file_name(table, format_), rows) for table in tables().values()]


def finished(manifest: Mapping[str, Any], folder: Path) -> tuple[str, int]:
    """Write what comes with the tables, and checksums; answers that of the checksums, and the size of all."""
    known = tables().values()
    folder.joinpath("dictionary.csv").write_bytes(as_csv(known))
    folder.joinpath("dictionary.json").write_bytes(as_json(known))
    folder.joinpath("dictionary.md").write_bytes(as_markdown(known))
    folder.joinpath("CITATION.txt").write_text(f"{manifest['citation']}\n", "utf-8")
    folder.joinpath("manifest.json").write_bytes(msgspec.json.format(dump(manifest), indent=1) + b"\n")
    sums = "".join(f"{digest(file)}  {file.name}\n" for file in sorted(folder.iterdir()))
    folder.joinpath(SUMS).write_text(sums, "utf-8")
    return digest(folder / SUMS), sum(file.stat().st_size for file in folder.iterdir())


def digest(file: Path) -> str:
    """The SHA-256 of a file."""
    with file.open("rb") as content:
        return hashlib.file_digest(content, "sha256").hexdigest()


def _told(table: Table, file: Path, rows: Mapping[str, int]) -> dict[str, Any]:
    return {
        "table": table.name,
        "file": file.name,
        "view": table.canonical,
        "rows": rows[table.name],
        "columns": len(table.fields),
        "bytes": file.stat().st_size,
        "sha256": digest(file),
    }
