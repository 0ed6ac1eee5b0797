"""What access rests on, beside what is stored: clients, signing keys, assertions that were used, refusals.

Entries of one table, told apart by ``kind``. They are no resources: no search and no history has them. No
backup has them either, as it must not carry keys; clients are registered anew after a restore.
"""

from dataclasses import dataclass
from typing import Literal, Protocol

from service.store.contract import Store
from service.store.search_match import Statement

__all__ = ["Entries", "Entry", "EntryKind", "Opened", "entered", "forgotten", "listed"]

EntryKind = Literal["client", "key", "assertion", "refusal"]


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


class Opened(Store, Entries, Protocol):
    """An open database: what is stored, and what access to it rests on."""


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


def forgotten(before: int) -> Statement:
    """Take away what expired."""
    return "DELETE FROM entry WHERE expires > 0 AND expires < ?", [before]
