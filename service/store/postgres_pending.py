"""What a transaction has put and not yet written; then a few statements write it, whatever its size."""

from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Protocol

import msgspec

from service.fhir.search_values import SearchKeys
from service.store.contract import Version
from service.store.key_rows import Row, key_rows, words_of
from service.store.postgres_rows import (
    CURRENT,
    RESOURCE,
    UPDATE_CURRENT,
    columns_of,
    deletions,
    insertions,
)
from service.store.postgres_sql import shortened

__all__ = ["Head", "Learn", "Pending", "Writing"]

Learn = Callable[[set[str]], Awaitable[Mapping[str, int]]]
"""Gives every word a number, and answers them."""


class Writing(Protocol):
    """The part of a database connection that is needed here."""

    async def execute(self, query: str, *args: Any) -> Any:
        """Run one statement."""
        ...

    async def executemany(self, command: str, args: list[Row]) -> Any:
        """Run one statement for many rows."""
        ...


@dataclass(slots=True)
class Head:
    """The newest version of a resource as its transaction sees it; ``key`` is 0 if there never was one.

    ``filed`` are its rows in the search tables, ``stored`` whether it has a row in ``current``. ``keys`` are
    those of what was put, None if nothing was.
    """

    version: Version | None = None
    key: int = 0
    updated: int = 0
    filed: str = "[]"
    stored: bool = False
    keys: SearchKeys | None = None


@dataclass(slots=True)
class Pending:
    """Resources put, newest version each, and every version in between."""

    heads: dict[tuple[str, str], Head] = field(default_factory=dict)
    versions: list[Row] = field(default_factory=list)

    def add(self, head: Head, version: Version) -> None:
        """Keep a version that was put; ``head`` shows it already."""
        self.heads[version.type, version.id] = head
        self.versions.append(
            (
                version.sequence,
                head.key,
                version.version,
                version.last_updated,
                version.method,
                version.content.decode(),
            )
        )

    async def write(self, connection: Writing, learn: Learn) -> Mapping[str, int]:
        """Write everything; answers the words it is filed under."""
        heads = [head for _, head in sorted(self.heads.items())]
        words = await learn({word for head in heads if head.keys for word in words_of(head.keys)})
        old: set[Row] = set()
        new: set[Row] = set()
        fresh: list[Row] = []
        changed: list[Row] = []
        for head in heads:
            owner, rows = _rows(head, words)
            before = {tuple(row) for row in msgspec.json.decode(head.filed)}
            old |= before - rows
            new |= rows - before
            head.filed = msgspec.json.encode(list(rows)).decode()
            (changed if head.stored else fresh).append(_current(head, owner))
            head.stored = True
        if fresh:
            await connection.execute(CURRENT, *columns_of(fresh))
        if changed:
            await connection.executemany(UPDATE_CURRENT, changed)
        if self.versions:
            await connection.execute(RESOURCE, *columns_of(self.versions))
        for sql, rows_taken_back in deletions(old):
            await connection.executemany(sql, rows_taken_back)
        for sql, columns in insertions(new):
            await connection.execute(sql, *columns)
        return words


def _rows(head: Head, words: Mapping[str, int]) -> tuple[int, set[Row]]:
    owner, rows = key_rows(head.keys or SearchKeys(), head.key, words.__getitem__)
    return owner, {tuple(shortened(one) if isinstance(one, str) else one for one in row) for row in rows}


def _current(head: Head, owner: int) -> Row:
    version = head.version
    if version is None:  # only what was put is pending
        raise ValueError(head)
    return (
        head.key,
        version.type,
        version.id,
        owner,
        version.sequence,
        version.version,
        head.updated,
        version.deleted,
        head.filed,
    )
