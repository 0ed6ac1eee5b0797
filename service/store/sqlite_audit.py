"""The audit trail on SQLite; the connections are passed in.

It lies in two files (see ``sqlite_accesses.py``), each with chains of its own: who reads it asks both and
puts their rows in order.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager, nullcontext
from functools import cache
from typing import Any, Protocol

from service.store.audit import (
    OLDEST,
    Audited,
    Begun,
    Event,
    Head,
    Target,
    audited_of,
    begun_behind,
    chained,
    targets_of,
)
from service.store.audit_links import Named, is_due, link, linked
from service.store.audit_sql import (
    BEGUN,
    CHUNK,
    COLUMNS,
    HEADS,
    LATEST_HEADS,
    TARGETS_CHUNK,
    audit_page,
    audit_total,
    audit_version,
    chain_after,
    falls,
    targets_after,
    trail_after,
)
from service.store.contract import Page, Query
from service.store.search_order import page_of

__all__ = [
    "AT_ONCE",
    "Connection",
    "begin_behind",
    "beginnings",
    "chain_chunk",
    "ends",
    "file_targets",
    "keep",
    "kept",
    "record",
    "run_audited",
    "take_away",
    "targets_chunk",
    "trail_chunk",
]

_ORDER = 3
"""Columns that a page is in the order of, the last ones of its rows."""
AT_ONCE = 256
"""Rows in one statement: whoever runs Python is waited for once a statement, not once a row."""


_BEGIN = (
    "INSERT INTO audit_begun (chain, place, recorded, hash) VALUES (?, ?, ?, ?) "
    "ON CONFLICT (chain) DO UPDATE SET "
    "place = excluded.place, recorded = excluded.recorded, hash = excluded.hash "
    "WHERE excluded.place > audit_begun.place"
)
_WAITING = 16_384
"""So many of what rows are found by are filed together: in order, many share a page of the index."""
_UNFILED = "SELECT max(rowid) FROM audit_unfiled"
_FILE = (
    "INSERT OR IGNORE INTO audit_filed (target, recorded, chain, place) "
    "SELECT target, recorded, chain, place FROM audit_unfiled ORDER BY target, recorded, chain, place"
)
_TAKE_TARGET = "DELETE FROM audit_filed WHERE target = ? AND recorded = ? AND chain = ? AND place = ?"
_TAKE = "DELETE FROM audit WHERE chain = ? AND place = ?"


class Connection(Protocol):
    """The part of a database connection that is needed here."""

    @property
    def in_transaction(self) -> bool:
        """Whether a transaction is open."""
        ...

    def execute(self, sql: str, parameters: Sequence[Any] = ..., /) -> Any:
        """Run one statement."""
        ...

    def executemany(self, sql: str, parameters: Iterable[Sequence[Any]], /) -> Any:
        """Run one statement for many rows."""
        ...


def record(
    connection: Connection,
    head: Head,
    events: Sequence[Event],
    now: int,
    other: Callable[[], Connection],
) -> Head:
    """Write events to the end of a chain; answers where it ends then. ``now`` are UTC milliseconds.

    ``other`` answers a connection to the other file, whose chains are named along with those of this one.
    """
    if is_due(head, now):
        named = [one for file in (connection, other()) for one in file.execute(LATEST_HEADS, (head.chain,))]
        events = [link(Named(*one) for one in named), *events]
        head = linked(head, now)
    rows, head = chained(head, events, now)
    keep(connection, rows)
    return head


def keep(connection: Connection, rows: Sequence[Audited]) -> None:
    """Write rows as they are, up to ``AT_ONCE`` in one statement; those of one chain in its order.

    The tables' triggers do the rest.
    """
    for first in range(0, len(rows), AT_ONCE):
        some = rows[first : first + AT_ONCE]
        values = [value for row in some for value in row[: len(COLUMNS)]]
        connection.execute(_statement(len(some)), values)


@contextmanager
def kept(connection: Connection) -> Iterator[None]:
    """A transaction: all of it is kept, or nothing."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:  # a full disk has taken it back by itself
            connection.execute("ROLLBACK")
        raise


def file_targets(connection: Connection) -> None:
    """File what the last rows are found by, once there is enough of it, within a transaction or as one.

    It takes more room than the rows themselves: a disk that is nearly full lacks it first. What can't be
    filed is found where it waits.
    """
    (waiting,) = connection.execute(_UNFILED).fetchone()
    if waiting and waiting >= _WAITING:
        with nullcontext() if connection.in_transaction else kept(connection):
            _file(connection)


def run_audited(files: Sequence[Connection], query: Query) -> Page:
    """Answer one page of AuditEvents."""
    rows: list[Sequence[Any]] = []
    if query.count:
        rows = [row for file in files for row in file.execute(*audit_page(query))]
        rows.sort(key=lambda row: tuple(row[-_ORDER:]), reverse=falls(query))
    counted = None
    if query.total == "accurate":
        counted = sum(file.execute(*audit_total(query)).fetchone()[0] for file in files)
    return page_of(query, rows[: query.count + 1], counted, audit_version)


def trail_chunk(
    files: Sequence[Connection], place: tuple[int, str, int], until: int, *, links: bool = False
) -> list[Audited]:
    """Answer some rows behind a place, in the order of the trail."""
    rows = [Audited(*row) for file in files for row in file.execute(*trail_after(place, until, links=links))]
    return sorted(rows, key=lambda row: (row.recorded, row.chain, row.place))[:CHUNK]


def chain_chunk(files: Sequence[Connection], chain: str, place: int) -> list[Audited]:
    """Answer some rows behind a place of a chain, chain after chain."""
    rows = [Audited(*row) for file in files for row in file.execute(*chain_after(chain, place))]
    return sorted(rows)[:CHUNK]  # a row begins with its chain and place


def targets_chunk(files: Sequence[Connection], last: Target) -> list[Target]:
    """Answer some of what rows are found by, behind one of them, in order."""
    return sorted(row for file in files for row in file.execute(*targets_after(last)))[:TARGETS_CHUNK]


def ends(files: Sequence[Connection]) -> list[Named]:
    """Answer where every chain ends."""
    return [Named(*row) for file in files for row in file.execute(HEADS)]


def beginnings(files: Sequence[Connection]) -> list[Begun]:
    """Answer where chains begin of which rows were taken away, by name."""
    return sorted(Begun(*row) for file in files for row in file.execute(BEGUN))


def begin_behind(connection: Connection, begun: Sequence[Begun]) -> None:
    """Note that chains begin later."""
    connection.executemany(_BEGIN, begun)


def take_away(connection: Connection, before: int) -> int:
    """Take away some of the oldest rows, of those recorded before a time; answers how many."""
    _file(connection)
    rows = trail_chunk([connection], OLDEST, before)
    begin_behind(connection, begun_behind(rows))
    told = [audited_of(row.content, row.hash) for row in rows]
    connection.executemany(_TAKE_TARGET, targets_of(told))
    connection.executemany(_TAKE, [(row.chain, row.place) for row in rows])
    return len(rows)


def _file(connection: Connection) -> None:
    """File what the last rows are found by."""
    connection.execute(_FILE)
    connection.execute("DELETE FROM audit_unfiled")


@cache
def _statement(count: int) -> str:
    row = f"({', '.join('?' * len(COLUMNS))})"
    return f"INSERT INTO audit ({', '.join(COLUMNS)}) VALUES {', '.join([row] * count)}"
