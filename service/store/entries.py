"""What the service knows beside what is stored: clients, signing keys, legal holds, erasures.

Entries of one table, told apart by ``kind``. They are no resources: no search and no history has them. Those
that hold no secret and must outlast the machine travel with backups and copies (``TRAVELS``); keys and
assertions do not, and are made anew.
"""

from collections.abc import Collection
from dataclasses import dataclass
from typing import Literal, Protocol

from service.store.asking import Done
from service.store.contract import Store
from service.store.search_match import Statement

__all__ = [
    "TRAVELS",
    "Entries",
    "Entry",
    "EntryKind",
    "Opened",
    "entered",
    "erased_of",
    "forgotten",
    "listed",
    "taken_away",
    "travelling",
]

EntryKind = Literal[
    "assertion", "client", "destination", "erasure", "hold", "key", "login", "message", "refusal", "settled"
]
TRAVELS: tuple[EntryKind, ...] = ("client", "destination", "erasure", "hold", "refusal")
"""Kinds that backups and copies carry: public keys and words, nothing that opens anything."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry; ``name`` is its own among those of its kind.

    ``expires``: seconds since 1970 after which it may be forgotten, 0 for never. ``content`` is JSON.
    """

    kind: EntryKind
    name: str
    expires: int = 0
    content: str = ""


class Entries(Protocol):
    """The entries of one database, the same for every process that works with it."""

    async def entries(self, kind: EntryKind) -> list[Entry]:
        """Answer all entries of a kind, by name."""
        ...

    async def enter(self, entry: Entry, *, once: bool = False) -> bool:
        """Write an entry, durable when this returns; in place of one of its name unless ``once``.

        Whether it was written: of all that enter the same name once, at any time and in any process, one is.
        """
        ...

    async def forget(self, before: int) -> None:
        """Take away what expired before this time."""
        ...


class Opened(Store, Entries, Done, Protocol):
    """An open database: what is stored, what access to it rests on, and what jobs keep there."""


def listed(kind: EntryKind) -> Statement:
    """The entries of a kind."""
    return "SELECT kind, name, expires, content FROM entry WHERE kind = ? ORDER BY name", [kind]


def entered(entry: Entry, *, once: bool) -> Statement:
    """Write an entry; answers a row if it was written."""
    present = "NOTHING" if once else "UPDATE SET expires = excluded.expires, content = excluded.content"
    sql = (
        "INSERT INTO entry (kind, name, expires, content) VALUES (?, ?, ?, ?) "
        f"ON CONFLICT (kind, name) DO {present} RETURNING name"
    )
    return sql, [entry.kind, entry.name, entry.expires, entry.content]


def travelling() -> Statement:
    """The entries that backups carry, in one order."""
    kinds = ", ".join("?" * len(TRAVELS))
    sql = f"SELECT kind, name, expires, content FROM entry WHERE kind IN ({kinds}) ORDER BY kind, name"
    return sql, [*TRAVELS]


def taken_away(kind: EntryKind, name: str) -> Statement:
    """Take one entry away; answers a row if there was one."""
    return "DELETE FROM entry WHERE kind = ? AND name = ? RETURNING name", [kind, name]


def erased_of(patients: Collection[str]) -> Statement:
    """Those of the patients who were erased."""
    marks = ", ".join("?" * len(patients))
    return f"SELECT name FROM entry WHERE kind = 'erasure' AND name IN ({marks})", [*patients]


def forgotten(before: int) -> Statement:
    """Take away what expired."""
    return "DELETE FROM entry WHERE expires > 0 AND expires < ?", [before]
