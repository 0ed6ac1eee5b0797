"""A backup: a compressed file of one row a line, led by what it is and closed by counts and a checksum."""

import gzip
import os
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import msgspec

from service.errors import Conflict, InvalidInput
from service.store.archive import Digest, Row, Rows, row_of

__all__ = ["check_backup", "read_backup", "write_backup"]

_HEAD = {"format": "swallow-interop backup", "version": 2}
_READ = (_HEAD, _HEAD | {"version": 1})
"""The first kind has no audit trail."""
_TAIL = b'{"end":'


async def write_backup(path: Path, rows: Rows) -> Digest:
    """Write the rows to a new file that only its owner reads; it has its name when it is whole.

    Conflict if there is a file of that name.
    """
    digest = Digest()
    with _written(path) as file:
        file.write(msgspec.json.encode(_HEAD) + b"\n")
        async for row in rows:
            file.write(digest.add(row))
        file.write(msgspec.json.encode({"end": digest.said()}) + b"\n")
    return digest


def check_backup(path: Path) -> Digest:
    """Read the whole file; InvalidInput unless it is a backup and every byte is as it was written."""
    digest, said = Digest(), None
    for line in _lines(path):
        if line.startswith(_TAIL):
            said = _decoded(path, line)["end"]
        else:
            digest.add(_row(path, line))
    if said != digest.said():
        raise InvalidInput(f"{path.name} is damaged: its end or its checksum is not what it should be.")
    return digest


async def read_backup(path: Path) -> Rows:
    """Answer the rows of a file that was checked."""
    for line in _lines(path):
        if not line.startswith(_TAIL):
            yield _row(path, line)


@contextmanager
def _written(path: Path) -> Iterator[gzip.GzipFile]:
    """A compressed file that is on the disk, and has its name, when the block ends."""
    if path.exists():
        raise Conflict(f"{path} exists; a backup never replaces another.")
    part = path.with_name(f"{path.name}.part")
    with os.fdopen(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "wb") as raw:
        with gzip.GzipFile(fileobj=raw, mode="wb", compresslevel=6, mtime=0) as file:
            yield file
        raw.flush()
        os.fsync(raw.fileno())
    part.rename(path)


def _lines(path: Path) -> Iterator[bytes]:
    try:
        with gzip.open(path) as file:
            if _decoded(path, file.readline()) not in _READ:
                raise InvalidInput(f"{path.name} is not a backup this program can read.")
            yield from file
    except (EOFError, gzip.BadGzipFile, zlib.error) as error:
        raise InvalidInput(f"{path.name} is damaged or not a backup ({type(error).__name__}).") from error


def _row(path: Path, line: bytes) -> Row:
    try:
        return row_of(line)
    except (ValueError, LookupError, TypeError) as error:
        raise InvalidInput(f"{path.name} is damaged: a line of it can't be read.") from error


def _decoded(path: Path, line: bytes) -> Any:
    try:
        return msgspec.json.decode(line)
    except ValueError as error:
        raise InvalidInput(f"{path.name} is not a backup this program can read.") from error
