"""A backup: a compressed file of one row a line, led by what it is and closed by counts and a checksum.

It may be sealed (``sealed.py``), so that only the holder of a key reads it.
"""

import gzip
import io
import os
import zlib
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import IO, Any, BinaryIO, cast

import msgspec

from service.errors import Conflict, InvalidInput
from service.store.archive import Digest, Row, Rows, row_of
from service.store.sealed import Sealing, Unsealed, is_sealed, read_key

__all__ = ["check_backup", "read_backup", "write_backup"]

_HEAD = {"format": "swallow-interop backup", "version": 3}
_READ = (_HEAD, _HEAD | {"version": 2}, _HEAD | {"version": 1})
"""The first kind has no audit trail, the second no entries."""
_TAIL = b'{"end":'


async def write_backup(path: Path, rows: Rows, recipient: str = "") -> Digest:
    """Write the rows to a new file that only its owner reads; it has its name when it is whole.

    It is sealed for ``recipient`` if there is one. Conflict if there is a file of that name.
    """
    digest = Digest()
    with _written(path, recipient) as file:
        file.write(msgspec.json.encode(_HEAD) + b"\n")
        async for row in rows:
            file.write(digest.add(row))
        file.write(msgspec.json.encode({"end": digest.said()}) + b"\n")
    return digest


def check_backup(path: Path, key: Path | None = None) -> Digest:
    """Read the whole file; InvalidInput unless it is a backup and every byte is as it was written.

    ``key`` is the file of the key it may be sealed for.
    """
    digest, said = Digest(), None
    for line in _lines(path, key):
        if line.startswith(_TAIL):
            said = _decoded(path, line)["end"]
        else:
            digest.add(_row(path, line))
    if said != digest.said():
        raise InvalidInput(f"{path.name} is damaged: its end or its checksum is not what it should be.")
    return digest


async def read_backup(path: Path, key: Path | None = None) -> Rows:
    """Answer the rows of a file that was checked."""
    for line in _lines(path, key):
        if not line.startswith(_TAIL):
            yield _row(path, line)


@contextmanager
def _written(path: Path, recipient: str) -> Iterator[gzip.GzipFile]:
    """A compressed file that is on the disk, and has its name, when the block ends."""
    if path.exists():
        raise Conflict(f"{path} exists; a backup never replaces another.")
    part = path.with_name(f"{path.name}.part")
    with os.fdopen(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "wb") as raw:
        with ExitStack() as whole:
            under = cast("BinaryIO", whole.enter_context(Sealing(raw, recipient))) if recipient else raw
            yield whole.enter_context(gzip.GzipFile(fileobj=under, mode="wb", compresslevel=6, mtime=0))
        raw.flush()
        os.fsync(raw.fileno())
    part.rename(path)


def _lines(path: Path, key: Path | None) -> Iterator[bytes]:
    try:
        with path.open("rb") as raw, gzip.open(_plain(raw, path, key)) as file:
            if _decoded(path, file.readline()) not in _READ:
                raise InvalidInput(f"{path.name} is not a backup this program can read.")
            yield from file
    except (EOFError, gzip.BadGzipFile, zlib.error) as error:
        raise InvalidInput(f"{path.name} is damaged or not a backup ({type(error).__name__}).") from error


def _plain(raw: BinaryIO, path: Path, key: Path | None) -> IO[bytes]:
    if not is_sealed(path):
        return raw
    if key is None:
        raise InvalidInput(f"{path.name} is sealed; name the file of its key with --key-file.")
    return io.BufferedReader(Unsealed(raw, read_key(key), path.name))


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
