"""The audit trail on PostgreSQL; the connection is passed in."""

from collections.abc import Sequence
from typing import Any, Protocol

from service.store.audit import Audited, Event, Head, chained, new_head, targets_of
from service.store.audit_links import Named, is_due, link, linked
from service.store.audit_sql import (
    COLUMNS,
    HEADS,
    LATEST_HEADS,
    audit_page,
    audit_total,
    audit_version,
    trail_after,
)
from service.store.contract import Page, Query
from service.store.postgres_rows import columns_of
from service.store.postgres_sql import in_postgres
from service.store.search_match import Statement
from service.store.search_order import page_of

__all__ = ["Chains", "ends", "keep", "record", "run_audited", "trail_chunk"]

_TYPES = {"place": "bigint", "recorded": "bigint"}
_ARRAYS = ", ".join(f"${number}::{_TYPES.get(name, 'text')}[]" for number, name in enumerate(COLUMNS, 1))
_KEEP = f"""
    WITH found AS (
        INSERT INTO audit_target (target, recorded, chain, place)
        SELECT * FROM unnest($12::text[], $13::bigint[], $14::text[], $15::bigint[])
    ), ended AS (
        INSERT INTO audit_chain (chain, place, recorded, hash)
        SELECT * FROM unnest($16::text[], $17::bigint[], $18::bigint[], $19::text[])
        ON CONFLICT (chain) DO UPDATE
        SET place = excluded.place, recorded = excluded.recorded, hash = excluded.hash
        WHERE excluded.place > audit_chain.place
    )
    INSERT INTO audit ({", ".join(COLUMNS)}) SELECT * FROM unnest({_ARRAYS})
"""
_TARGETS = 4


class _Connection(Protocol):
    async def execute(self, query: str, *args: Any) -> Any: ...

    async def fetch(self, query: str, *args: Any) -> Sequence[Sequence[Any]]: ...

    async def fetchval(self, query: str, *args: Any) -> Any: ...


class Chains:
    """The chains of one process: of transactions that are open at once each writes a chain of its own."""

    def __init__(self) -> None:
        """Begin with none."""
        self._free: list[Head] = []

    def take(self) -> Head:
        """Answer the end of a chain that nobody else writes."""
        return self._free.pop() if self._free else new_head()

    def give(self, head: Head) -> None:
        """Let others write on, from where the chain ends for certain."""
        self._free.append(head)


async def record(connection: _Connection, head: Head, events: Sequence[Event], now: int) -> Head:
    """Write events to the end of a chain; answers where it ends then. ``now`` are UTC milliseconds."""
    if is_due(head, now):
        others = await _fetch(connection, (LATEST_HEADS, [head.chain]))
        events = [link(Named(*one) for one in others), *events]
        head = linked(head, now)
    rows, head = chained(head, events, now)
    await keep(connection, rows)
    return head


async def keep(connection: _Connection, rows: Sequence[Audited]) -> None:
    """Write rows as they are; those of one chain in its order."""
    targets = columns_of(targets_of(rows)) or [[]] * _TARGETS
    newest = {row.chain: (row.chain, row.place, row.recorded, row.hash) for row in rows}
    columns = columns_of([row[: len(COLUMNS)] for row in rows])
    await connection.execute(_KEEP, *columns, *targets, *columns_of(list(newest.values())))


async def run_audited(connection: _Connection, query: Query) -> Page:
    """Answer one page of AuditEvents."""
    rows = await _fetch(connection, audit_page(query)) if query.count else []
    counted = (await _fetch(connection, audit_total(query)))[0][0] if query.total == "accurate" else None
    return page_of(query, rows, counted, audit_version)


async def trail_chunk(
    connection: _Connection, place: tuple[int, str, int], until: int, *, links: bool = False
) -> list[Audited]:
    """Answer some rows behind a place, in the order of the trail."""
    return [Audited(*row) for row in await _fetch(connection, trail_after(place, until, links=links))]


async def ends(connection: _Connection) -> list[Named]:
    """Answer where every chain ends."""
    return [Named(*row) for row in await connection.fetch(HEADS)]


async def _fetch(connection: _Connection, statement: Statement) -> Sequence[Sequence[Any]]:
    sql, values = in_postgres(statement, lambda _: None)
    return await connection.fetch(sql, *values)
