"""The audit trail on PostgreSQL; the connection is passed in."""

from collections.abc import Sequence
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
    new_head,
    targets_of,
)
from service.store.audit_links import Named, is_due, link, linked
from service.store.audit_sql import (
    BEGUN,
    COLUMNS,
    HEADS,
    LATEST_HEADS,
    TARGETS,
    audit_page,
    audit_total,
    audit_version,
    chain_after,
    targets_after,
    trail_after,
)
from service.store.contract import Page, Query
from service.store.postgres_rows import columns_of
from service.store.postgres_sql import in_postgres
from service.store.search_match import Statement
from service.store.search_order import page_of

__all__ = [
    "Chains",
    "begin_behind",
    "beginnings",
    "chain_chunk",
    "ends",
    "keep",
    "record",
    "run_audited",
    "take_away",
    "targets_chunk",
    "trail_chunk",
]

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
_ENDS = 4
_BEGIN = """
    INSERT INTO audit_begun (chain, place, recorded, hash) VALUES ($1, $2, $3, $4)
    ON CONFLICT (chain) DO UPDATE
    SET place = excluded.place, recorded = excluded.recorded, hash = excluded.hash
    WHERE excluded.place > audit_begun.place
"""
_TAKE_TARGET = "DELETE FROM audit_target WHERE target = $1 AND recorded = $2 AND chain = $3 AND place = $4"
_TAKE = "DELETE FROM audit WHERE chain = $1 AND place = $2"


class _Connection(Protocol):
    async def execute(self, query: str, *args: Any) -> Any: ...

    async def executemany(self, command: str, args: list[tuple[Any, ...]], /) -> Any: ...

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
    newest = {row.chain: (row.chain, row.place, row.recorded, row.hash) for row in rows}
    columns = columns_of([row[: len(COLUMNS)] for row in rows]) or [[]] * len(COLUMNS)
    targets = columns_of(targets_of(rows)) or [[]] * len(TARGETS)
    ends = columns_of(list(newest.values())) or [[]] * _ENDS
    await connection.execute(_KEEP, *columns, *targets, *ends)


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


async def chain_chunk(connection: _Connection, chain: str, place: int) -> list[Audited]:
    """Answer some rows behind a place of a chain, chain after chain."""
    return [Audited(*row) for row in await _fetch(connection, chain_after(chain, place))]


async def targets_chunk(connection: _Connection, last: Target) -> list[Target]:
    """Answer some of what rows are found by, behind one of them, in order."""
    found = await _fetch(connection, targets_after(last))
    return [(target, recorded, chain, place) for target, recorded, chain, place in found]


async def ends(connection: _Connection) -> list[Named]:
    """Answer where every chain ends."""
    return [Named(*row) for row in await connection.fetch(HEADS)]


async def beginnings(connection: _Connection) -> list[Begun]:
    """Answer where chains begin of which rows were taken away, by name."""
    return [Begun(*row) for row in await connection.fetch(BEGUN)]


async def begin_behind(connection: _Connection, begun: list[Begun]) -> None:
    """Note that chains begin later."""
    await connection.executemany(_BEGIN, [*begun])


async def take_away(connection: _Connection, before: int) -> int:
    """Take away some of the oldest rows, of those recorded before a time; answers how many."""
    rows = await trail_chunk(connection, OLDEST, before)
    await begin_behind(connection, begun_behind(rows))
    told = [audited_of(row.content, row.hash) for row in rows]
    await connection.executemany(_TAKE_TARGET, [*targets_of(told)])
    await connection.executemany(_TAKE, [(row.chain, row.place) for row in rows])
    return len(rows)


async def _fetch(connection: _Connection, statement: Statement) -> Sequence[Sequence[Any]]:
    sql, values = in_postgres(statement, lambda _: None)
    return await connection.fetch(sql, *values)
