"""Everything a store holds, as rows: what is written to a backup and read from one, the same on every engine.

Kept are versions and visit keys; what resources are found by follows from their content and is made anew.
"""

import hashlib
from collections.abc import AsyncGenerator, Awaitable, Callable
from dataclasses import dataclass
from typing import Literal, Protocol, TypeVar

import msgspec

from service.fhir.search_values import SearchKeys
from service.store.contract import Store, Transaction, Version, VisitKey

__all__ = ["CHUNK", "Archive", "Digest", "Kept", "Movable", "Row", "Rows", "in_chunks", "line_of", "row_of"]

T = TypeVar("T")

CHUNK = 500
_Fields = tuple[int, str, str, int, str, Literal["POST", "PUT", "DELETE"], bool, str]


@dataclass(frozen=True, slots=True)
class Kept:
    """One version, and whether it is the newest of its resource."""

    version: Version
    newest: bool


Row = Kept | VisitKey
Rows = AsyncGenerator[Row, None]
"""Every version in the order of writing, then every visit key in the order of its system and value."""


class Archive(Transaction, Protocol):
    """A transaction that also writes what is known already: numbers, times and texts stay as they are."""

    async def is_empty(self) -> bool:
        """Whether nothing was ever written."""
        ...

    def rows(self) -> Rows:
        """Answer everything, as this transaction sees it."""
        ...

    async def keep(self, kept: Kept, keys: SearchKeys) -> None:
        """Write a version as it is. ``keys`` are empty for all but the newest."""
        ...

    async def refile(self, version: Version, keys: SearchKeys) -> None:
        """File the newest version of a resource under other keys."""
        ...

    async def upgrade(self) -> bool:
        """Bring older tables up to this program's; whether every resource has to be filed anew."""
        ...


class Movable(Store, Protocol):
    """A store whose whole content can be read and written."""

    async def size(self) -> int:
        """How many versions there are."""
        ...

    def rows(self) -> Rows:
        """Answer everything as it stood at one moment, while others go on writing."""
        ...

    async def archive(self, name: str, work: Callable[[Archive], Awaitable[T]]) -> T:
        """Run ``work`` like ``write`` does, however long it takes."""
        ...


class Digest:
    """Counts and a checksum of rows; equal if and only if the rows are, in the same order."""

    def __init__(self) -> None:
        """Begin with nothing."""
        self.versions = 0
        self.visits = 0
        self._hash = hashlib.sha256()

    def add(self, row: Row) -> bytes:
        """Count one row; answers its line."""
        line = line_of(row)
        self._hash.update(line)
        if isinstance(row, Kept):
            self.versions += 1
        else:
            self.visits += 1
        return line

    def said(self) -> dict[str, int | str]:
        """The counts and the checksum, to be written down and compared."""
        return {"versions": self.versions, "visits": self.visits, "sha256": self._hash.hexdigest()}


async def in_chunks(
    versions: Callable[[int], Awaitable[list[Kept]]], visits: Callable[[], Awaitable[list[VisitKey]]]
) -> Rows:
    """Answer the rows of a snapshot; ``versions`` answers some that come after a sequence number."""
    after = 0
    while chunk := await versions(after):
        for kept in chunk:
            yield kept
        after = chunk[-1].version.sequence
    for visit in await visits():
        yield visit


def line_of(row: Row) -> bytes:
    """A row as one line of JSON."""
    if isinstance(row, VisitKey):
        return msgspec.json.encode(row) + b"\n"
    version = row.version
    fields = [version.sequence, version.type, version.id, version.version, version.last_updated]
    return msgspec.json.encode([*fields, version.method, row.newest, version.content.decode()]) + b"\n"


def row_of(line: bytes) -> Row:
    """Read a line of ``line_of``; ValueError if it is none."""
    if line.startswith(b"{"):
        return msgspec.json.decode(line, type=VisitKey)
    sequence, type_, id_, number, updated, method, newest, content = msgspec.json.decode(line, type=_Fields)
    return Kept(Version(sequence, type_, id_, number, updated, method, content.encode()), newest)
