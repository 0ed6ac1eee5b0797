"""The audit trail on SQLite; the connection is passed in."""

from collections.abc import Iterable, Sequence
from functools import cache
from typing import Any, Protocol

from service.store.audit import Audited, Event, Head, chained, targets_of
from service.store.audit_links import Named, is_due, link, linked
from service.store.audit_sql import (
    COLUMNS,
    HEADS,
    LATEST_HEADS,
    TARGETS,
    audit_page,
    audit_total,
    audit_version,
    trail_after,
)
from service.store.contract import Page, Query
from service.store.search_order import page_of

__all__ = ["Connection", "ends", "keep", "record", "run_audited", "trail_chunk"]

_AT_ONCE = 64
"""Rows in one statement: whoever runs Python is waited for once a statement, not once a row."""
_END = (
    "INSERT INTO audit_chain (chain, place, recorded, hash) VALUES (?, ?, ?, ?) "
    "ON CONFLICT (chain) DO UPDATE SET "
    "place = excluded.place, recorded = excluded.recorded, hash = excluded.hash "
    "WHERE excluded.place > audit_chain.place"
)


class Connection(Protocol):
    """The part of a database connection that is needed here."""

    def execute(self, sql: str, parameters: Sequence[Any] = ..., /) -> Any:
        """Run one statement."""
        ...

    def executemany(self, sql: str, parameters: Iterable[Sequence[Any]], /) -> Any:
        """Run one statement for many rows."""
        ...


def record(connection: Connection, head: Head, events: Sequence[Event], now: int) -> Head:
    """Write events to the end of a chain; answers where it ends then. ``now`` are UTC milliseconds."""
    if is_due(head, now):
        others = connection.execute(LATEST_HEADS, (head.chain,)).fetchall()
        events = [link(Named(*one) for one in others), *events]
        head = linked(head, now)
    rows, head = chained(head, events, now)
    keep(connection, rows)
    return head


def keep(connection: Connection, rows: Sequence[Audited]) -> None:
    """Write rows as they are; those of one chain in its order."""
    _insert(connection, "audit", COLUMNS, [row[: len(COLUMNS)] for row in rows])
    _insert(connection, "audit_target", TARGETS, targets_of(rows))
    newest = {row.chain: (row.chain, row.place, row.recorded, row.hash) for row in rows}
    connection.executemany(_END, list(newest.values()))


def run_audited(connection: Connection, query: Query) -> Page:
    """Answer one page of AuditEvents."""
    rows = connection.execute(*audit_page(query)).fetchall() if query.count else []
    counted = connection.execute(*audit_total(query)).fetchone()[0] if query.total == "accurate" else None
    return page_of(query, rows, counted, audit_version)


def trail_chunk(
    connection: Connection, place: tuple[int, str, int], until: int, *, links: bool = False
) -> list[Audited]:
    """Answer some rows behind a place, in the order of the trail."""
    return [Audited(*row) for row in connection.execute(*trail_after(place, until, links=links))]


def ends(connection: Connection) -> list[Named]:
    """Answer where every chain ends."""
    return [Named(*row) for row in connection.execute(HEADS)]


def _insert(
    connection: Connection, table: str, columns: Sequence[str], rows: Sequence[Sequence[Any]]
) -> None:
    for first in range(0, len(rows), _AT_ONCE):
        some = rows[first : first + _AT_ONCE]
        values = [value for row in some for value in row]
        connection.execute(_statement(table, tuple(columns), len(some)), values)


@cache
def _statement(table: str, columns: tuple[str, ...], count: int) -> str:
    row = f"({', '.join('?' * len(columns))})"
    return f"INSERT INTO {table} ({', '.join(columns)}) VALUES {', '.join([row] * count)}"
