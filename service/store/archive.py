"""Everything a store holds, as rows: what is written to a backup and read from one, the same on every engine.

Kept are versions, visit keys, the audit trail and the entries that travel; what resources and AuditEvents are
found by follows from their content and is made anew.
"""

import hashlib
from collections.abc import AsyncGenerator, Awaitable, Callable
from dataclasses import dataclass
from typing import Literal, Protocol, TypeVar

import msgspec

from service.fhir.search_values import SearchKeys
from service.store.asking import Asked
from service.store.audit import Audited, Begun, Chunk, Targets, Trail, audited_of, in_trail
from service.store.audit_links import Named
from service.store.contract import Transaction, Version, VisitKey
from service.store.entries import Entry, Opened

__all__ = [
    "CHUNK",
    "Archive",
    "Digest",
    "Kept",
    "Movable",
    "Row",
    "Rows",
    "in_chunks",
    "line_of",
    "row_of",
]

T = TypeVar("T")

CHUNK = 500
_EVENT = b'{"audit":'
_ENTRY = b'{"kind":'
_BEGUN = b'{"begun":'
_Fields = tuple[int, str, str, int, str, Literal["POST", "PUT", "DELETE"], bool, str]


@dataclass(frozen=True, slots=True)
class Kept:
    """One version, and whether it is the newest of its resource."""

    version: Version
    newest: bool


class _Begun(msgspec.Struct):
    """Where a chain of the audit trail begins, in a file."""

    begun: Begun


class _Event(msgspec.Struct):
    """A row of the audit trail in a file."""

    audit: str
    hash: str


Row = Kept | VisitKey | Begun | Audited | Entry
Rows = AsyncGenerator[Row, None]
"""Every version in the order of writing, visit keys by system and value, the trail, entries that travel.

The trail is led by where its chains begin, if they lost rows.
"""


class Archive(Transaction, Asked, Protocol):
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

    async def keep_audited(self, row: Audited) -> None:
        """Write a row of the audit trail as it is; those of one chain in its order."""
        ...

    async def keep_entry(self, entry: Entry) -> None:
        """Write an entry as it is."""
        ...

    async def entomb(self, type_: str, id_: str) -> Version:
        """Write a deletion, whatever was there before."""
        ...

    async def sweep(self) -> int:
        """Take away the texts beside codes that nothing is filed under; answers how many."""
        ...

    async def begin_behind(self, begun: Begun) -> None:
        """Note that a chain of the audit trail begins later than with its first row."""
        ...

    async def upgrade(self) -> bool:
        """Bring older tables up to this program's; whether every resource has to be filed anew."""
        ...


class Movable(Opened, Protocol):
    """A store whose whole content can be read and written; what it is asked only reads."""

    async def size(self) -> int:
        """How many versions there are."""
        ...

    def rows(self) -> Rows:
        """Answer everything as it stood at one moment, while others go on writing."""
        ...

    def trail(self, until: int, *, since: int = 0, links: bool = False) -> Trail:
        """Answer the audit trail of a time [since, until) in UTC milliseconds.

        ``links``: only its rows that name other chains.
        """
        ...

    async def scrub(self) -> bool:
        """Overwrite what files still hold of rows that are gone; whether nothing was in the way."""
        ...

    async def beginnings(self) -> list[Begun]:
        """Answer the last row that was taken away of each chain that no longer has its beginning."""
        ...

    async def take_away(self, before: int) -> int:
        """Take away some of the oldest rows of the audit trail, of those recorded before a time.

        ``before`` are UTC milliseconds. Answers how many; 0 when there are none. What is left begins behind
        them and is verified from there on.
        """
        ...

    def chains(self) -> Trail:
        """Answer the whole audit trail, chain after chain in no order of time."""
        ...

    def targets(self) -> Targets:
        """Answer everything that rows of the audit trail are found by."""
        ...

    async def ends(self) -> list[Named]:
        """Answer where each chain of the trail ends, as it was noted beside the rows."""
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
        self.audited = 0
        self.entries = 0
        self._hash = hashlib.sha256()

    def add(self, row: Row) -> bytes:
        """Count one row; answers its line."""
        line = line_of(row)
        self._hash.update(line)
        match row:
            case Kept():
                self.versions += 1
            case VisitKey():
                self.visits += 1
            case Audited():
                self.audited += 1
            case Entry():
                self.entries += 1
        return line

    def said(self) -> dict[str, int | str]:
        """The counts and the checksum, to be written down and compared."""
        more = {"audited": self.audited, "entries": self.entries}  # backups of earlier programs have neither
        return {
            "versions": self.versions,
            "visits": self.visits,
            **{name: count for name, count in more.items() if count},
            "sha256": self._hash.hexdigest(),
        }


async def in_chunks(
    versions: Callable[[int], Awaitable[list[Kept]]],
    visits: Callable[[], Awaitable[list[VisitKey]]],
    beginnings: Callable[[], Awaitable[list[Begun]]],
    trail: Chunk,
    entries: Callable[[], Awaitable[list[Entry]]],
) -> Rows:
    """Answer the rows of a snapshot.

    ``versions`` answers some that come after a sequence number, ``trail`` some behind a place.
    """
    after = 0
    while chunk := await versions(after):
        for kept in chunk:
            yield kept
        after = chunk[-1].version.sequence
    for visit in await visits():
        yield visit
    for one in await beginnings():
        yield one
    async for event in in_trail(trail):
        yield event
    for entry in await entries():
        yield entry


def line_of(row: Row) -> bytes:
    """A row as one line of JSON."""
    if isinstance(row, (VisitKey, Entry)):
        return msgspec.json.encode(row) + b"\n"
    if isinstance(row, Audited):
        return msgspec.json.encode(_Event(row.content, row.hash)) + b"\n"
    if isinstance(row, Begun):
        return msgspec.json.encode(_Begun(row)) + b"\n"
    version = row.version
    fields = [version.sequence, version.type, version.id, version.version, version.last_updated]
    return msgspec.json.encode([*fields, version.method, row.newest, version.content.decode()]) + b"\n"


def row_of(line: bytes) -> Row:
    """Read a line of ``line_of``; ValueError if it is none."""
    if line.startswith(_EVENT):
        event = msgspec.json.decode(line, type=_Event)
        return audited_of(event.audit, event.hash)
    if line.startswith(_ENTRY):
        return msgspec.json.decode(line, type=Entry)
    if line.startswith(_BEGUN):
        return msgspec.json.decode(line, type=_Begun).begun
    if line.startswith(b"{"):
        return msgspec.json.decode(line, type=VisitKey)
    sequence, type_, id_, number, updated, method, newest, content = msgspec.json.decode(line, type=_Fields)
    return Kept(Version(sequence, type_, id_, number, updated, method, content.encode()), newest)
