"""The store on PostgreSQL: the only file that knows ``asyncpg``.

Any number of processes may write. A work runs in one REPEATABLE READ transaction; where it met another that
changed the same thing it is run again from the beginning, with what the other left. From the second time on
it waits its turn: works that lost a race run one after the other, so that each comes to its end.
"""

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping, Sequence
from contextlib import asynccontextmanager
from datetime import datetime
from typing import Any, Self, TypeVar

import asyncpg

from service.errors import InvalidInput, ServiceError, StoreUnavailable, StoreUnreachable, TooCostly
from service.fhir.datetimes import milliseconds
from service.store.archive import Archive, Rows
from service.store.audit import (
    Audited,
    Begun,
    Event,
    Head,
    Target,
    Targets,
    Trail,
    by_chain,
    every_target,
    in_trail,
)
from service.store.audit_gathered import Gathered
from service.store.audit_links import Named
from service.store.contract import History, Label, Page, Query, Settled, States, Version, Work
from service.store.entries import Entry, EntryKind, entered
from service.store.entries import forgotten as forgotten_entries
from service.store.entries import listed as listed_entries
from service.store.history_sql import history_of, history_page, history_total
from service.store.label_sql import labels_in_use, labels_of
from service.store.postgres_archive import PostgresArchive, snapshot
from service.store.postgres_audit import (
    Chains,
    beginnings,
    chain_chunk,
    ends,
    record,
    run_audited,
    take_away,
    targets_chunk,
    trail_chunk,
)
from service.store.postgres_schema import prepare
from service.store.postgres_sql import POSTGRES, in_postgres
from service.store.postgres_transaction import (
    CURRENT,
    NOBODY_WRITES,
    VERSION,
    MustBeAlone,
    PostgresTransaction,
    run_search,
    version_of,
)
from service.store.postgres_words import GENERATION, Words, WordsTakenBack
from service.store.search_sql import Statement
from service.store.states_sql import NEWEST_INSTANT, states_page
from service.store.summaries import Seen, SummaryPage, SummaryQuery
from service.store.summaries_sql import (
    behind,
    editions,
    listed,
    noted,
    notes,
    page_of_summaries,
    seen_of,
    totals,
)

__all__ = ["PostgresStore"]

T = TypeVar("T")
Kind = TypeVar("Kind", bound=PostgresTransaction)

_CONNECTIONS = 12
_WRITERS = 8
"""Works at once in this process; the other connections are for reading and for numbering words."""
_ATTEMPTS = 10
_IN_TURN = 5
"""After so many attempts in vain nobody else writes until a work is done."""
_CONNECT_SECONDS = 5.0
_CHUNK = 200
_WRITERS_WAIT_MS = 2_000
"""So long at most others wait for whoever wants to know where the store stands."""
_SESSION = {
    "application_name": "swallow-interop",
    "statement_timeout": "10000",
    "idle_in_transaction_session_timeout": "60000",
    "timezone": "UTC",
    "jit": "off",  # compiling takes longer than our statements
}
_LOST = (
    OSError,
    TimeoutError,
    asyncpg.InterfaceError,
    asyncpg.InternalClientError,
    asyncpg.PostgresConnectionError,
)
_GONE = (asyncpg.PostgresConnectionError, asyncpg.OperatorInterventionError)
_RACES = (
    asyncpg.SerializationError,
    asyncpg.DeadlockDetectedError,
    asyncpg.UniqueViolationError,
)
_QUEUE = "LOCK TABLE guard IN SHARE UPDATE EXCLUSIVE MODE"
_ALONE = "LOCK TABLE reference IN SHARE ROW EXCLUSIVE MODE"
_NOBODY_ELSE = "LOCK TABLE current IN SHARE ROW EXCLUSIVE MODE"

Connection = Any
"""A pooled connection; asyncpg's own type is generic over its rows and says no more."""


class PostgresStore:
    """The Store of the contract on one database, for the event loop it was opened in."""

    def __init__(self, pool: "asyncpg.Pool[Any]", clock: Callable[[], datetime]) -> None:
        """Use ``open``."""
        self._pool = pool
        self._now: Callable[[], int] = lambda: milliseconds(clock())
        self._words = Words()
        self._chains = Chains()
        self._audit = Gathered(self._recorded)
        self._writers = asyncio.Semaphore(_WRITERS)
        self._closed = False

    @classmethod
    async def open(cls, url: str, *, clock: Callable[[], datetime], older: bool = False) -> Self:
        """Open the database at ``url`` (postgresql://…) and create its tables if it is empty.

        ``older``: its tables may be of an older program. StoreUnreachable if its server does not answer,
        StoreUnavailable if its schema is not one this program can use.
        """
        try:
            pool = await asyncpg.create_pool(
                url,
                min_size=1,
                max_size=_CONNECTIONS,
                timeout=_CONNECT_SECONDS,
                server_settings=_SESSION,
                reset=_nothing_to_reset,
            )
        except (asyncpg.PostgresError, ValueError) as error:
            if isinstance(error, _GONE):
                raise _unreachable(error) from error
            raise StoreUnavailable(f"The database can't be opened ({type(error).__name__}).") from error
        except (*_LOST, *_GONE) as error:
            raise _unreachable(error) from error
        store = cls(pool, clock)
        try:
            async with store._connection() as connection:
                await prepare(connection, older=older)
                if not older:
                    store._words.forget(await connection.fetchval(f"SELECT {GENERATION}"))
        except BaseException:
            await store.close()
            raise
        return store

    async def read(self, type_: str, id_: str) -> Version | None:
        """See the contract."""
        return await self._one(f"{CURRENT} WHERE c.type = $1 AND c.id = $2", type_, id_)

    async def vread(self, type_: str, id_: str, version: int) -> Version | None:
        """See the contract."""
        return await self._one(VERSION, type_, id_, version)

    async def history(self, query: History) -> Page:
        """See the contract; one that takes too long is refused as too costly."""

        async def ask(connection: Connection) -> Page:
            rows = await _fetch(connection, history_page(query, POSTGRES)) if query.count else []
            total = (await _fetch(connection, history_total(query)))[0][0] if query.id else None
            return history_of(query, [version_of(row) for row in rows], total)

        return await self._reading(ask)

    async def search(self, query: Query) -> Page:
        """See the contract; a search that takes too long is refused as too costly."""
        return await self._reading(lambda connection: run_search(connection, query, self._words.known))

    async def summaries(self, query: SummaryQuery) -> SummaryPage:
        """See the contract."""

        async def ask(connection: Connection) -> SummaryPage:
            rows = await _fetch(connection, listed(query, POSTGRES))
            counts = [(await _fetch(connection, one))[0][0] for one in totals(query, POSTGRES)]
            return page_of_summaries(rows, *counts)

        return await self._reading(ask)

    async def behind(self, day: str, basis: str, count: int) -> list[str]:
        """See the contract."""
        return await self._firsts(behind(day, basis, count))

    async def noted(self, count: int) -> list[str]:
        """See the contract."""
        return await self._firsts(noted(count))

    async def seen(self, patients: Sequence[str]) -> list[Seen]:
        """See the contract."""

        async def ask(connection: Connection) -> list[Seen]:
            found = [await _fetch(connection, one) for one in (editions(patients), notes(patients))]
            return seen_of(patients, *found)

        return await self._reading(ask)

    async def labels(self, types: Sequence[str]) -> set[Label]:
        """See the contract; refused as too costly where it takes too long."""
        return labels_of(await self._reading(lambda connection: _fetch(connection, labels_in_use(types))))

    async def write(self, name: str, work: Work[T]) -> T:
        """See the contract. ``work`` may be run several times; only what the last run did is kept."""
        return await self._run(name, PostgresTransaction, work)

    async def audit(self, events: Sequence[Event]) -> None:
        """See the contract."""
        await self._audit.add(events)

    async def audited(self, query: Query) -> Page:
        """See the contract; a search that takes too long is refused as too costly."""
        return await self._reading(lambda connection: run_audited(connection, query))

    def trail(self, until: int, *, since: int = 0, links: bool = False) -> Trail:
        """See Movable."""

        async def chunk(place: tuple[int, str, int]) -> list[Audited]:
            return await self._reading(lambda connection: trail_chunk(connection, place, until, links=links))

        return in_trail(chunk, since)

    def chains(self) -> Trail:
        """See Movable."""

        async def chunk(chain: str, place: int) -> list[Audited]:
            return await self._reading(lambda connection: chain_chunk(connection, chain, place))

        return by_chain(chunk)

    def targets(self) -> Targets:
        """See Movable."""

        async def chunk(last: Target) -> list[Target]:
            return await self._reading(lambda connection: targets_chunk(connection, last))

        return every_target(chunk)

    async def beginnings(self) -> list[Begun]:
        """See Movable."""
        return await self._reading(beginnings)

    async def take_away(self, before: int) -> int:
        """See Movable."""

        async def work(connection: Connection) -> int:
            async with connection.transaction():
                return await take_away(connection, before)

        return await self._reading(work)

    async def ends(self) -> list[Named]:
        """See Movable."""
        return await self._reading(ends)

    async def archive(self, name: str, work: Callable[[Archive], Awaitable[T]]) -> T:
        """See Movable."""
        return await self._run(name, PostgresArchive, work)

    async def size(self) -> int:
        """See Movable."""
        rows = await self._rows("SELECT count(*) FROM resource")
        return int(rows[0][0])

    async def rows(self) -> Rows:
        """See Movable."""
        async with (
            self._connection() as connection,
            connection.transaction(isolation="repeatable_read", readonly=True),
        ):
            async for row in snapshot(connection):
                yield row

    async def _run(self, name: str, kind: type[Kind], work: Callable[[Kind], Awaitable[T]]) -> T:
        async with self._writers:
            alone = False
            attempt = 0
            while attempt < _ATTEMPTS:
                try:
                    return await self._attempt(kind, work, attempt, alone=alone)
                except MustBeAlone:
                    alone = True
                except WordsTakenBack as met:
                    self._words.forget(met.generation)
                    attempt += 1
                except _RACES:
                    attempt += 1
        raise StoreUnavailable(f"Others keep changing what is to be written ({name}); try again.")

    async def changes(self, after: int = 0) -> AsyncIterator[Version]:
        """See the contract; ends before the oldest transaction that is still open."""
        sql = f"{CURRENT} WHERE c.sequence > $1 AND c.sequence <= $2 ORDER BY c.sequence LIMIT {_CHUNK}"
        settled = await self._reading(lambda connection: connection.fetchval("SELECT settled_sequence()"))
        while True:
            rows = await self._rows(sql, after, settled)
            for row in rows:
                yield version_of(row)
            if len(rows) < _CHUNK:
                return
            after = rows[-1][0]

    async def settled(self) -> Settled:
        """See the contract; StoreUnavailable if a work writes for longer than others are kept waiting."""
        return await self._reading(_settled)

    async def states(self, query: States) -> list[Version]:
        """See the contract."""
        rows = await self._reading(lambda connection: _fetch(connection, states_page(query)))
        return [version_of(row) for row in rows]

    async def ask(self, statement: Statement) -> Sequence[Sequence[Any]]:
        """See Asked."""
        return await self._reading(lambda connection: _fetch_whole(connection, statement))

    async def do(self, statement: Statement) -> Sequence[Sequence[Any]]:
        """See Done."""
        return await self._reading(lambda connection: _fetch_whole(connection, statement))

    async def scrub(self) -> bool:
        """See Movable; what the server keeps of rows that are gone is its own to clean (VACUUM, its log)."""
        return True

    async def entries(self, kind: EntryKind) -> list[Entry]:
        """See Entries."""
        rows = await self._reading(lambda connection: _fetch_whole(connection, listed_entries(kind)))
        return [Entry(*row) for row in rows]

    async def enter(self, entry: Entry, *, once: bool = False) -> bool:
        """See Entries; once more if the connection was lost: then a name may be taken by this very caller."""
        return bool(
            await self._reading(lambda connection: _fetch_whole(connection, entered(entry, once=once)))
        )

    async def forget(self, before: int) -> None:
        """See Entries."""
        await self._reading(lambda connection: _fetch_whole(connection, forgotten_entries(before)))

    async def close(self) -> None:
        """See the contract."""
        if self._closed:
            return
        self._closed = True
        try:
            await asyncio.wait_for(self._pool.close(), _CONNECT_SECONDS)
        except _LOST:
            self._pool.terminate()

    async def _one(self, sql: str, *values: Any) -> Version | None:
        row = await self._reading(lambda connection: connection.fetchrow(sql, *values))
        return version_of(row) if row else None

    async def _rows(self, sql: str, *values: Any) -> Sequence[Sequence[Any]]:
        return await self._reading(lambda connection: connection.fetch(sql, *values))

    async def _firsts(self, statement: Statement) -> list[str]:
        return [row[0] for row in await self._reading(lambda connection: _fetch(connection, statement))]

    async def _reading(self, ask: Callable[[Connection], Awaitable[T]]) -> T:
        """Ask; once more if the connection turns out to be gone."""
        for last in (False, True):
            try:
                async with self._connection() as connection:
                    return await ask(connection)
            except _TooLong as error:
                text = "This search would take too long; narrow it, best by naming the patient."
                raise TooCostly(text) from error
            except _Lost:
                if last:
                    raise
        raise AssertionError

    async def _attempt(
        self, kind: type[Kind], work: Callable[[Kind], Awaitable[T]], before: int, *, alone: bool
    ) -> T:
        """``before``: so many attempts lost a race. ``alone``: nobody else may write references."""
        async with self._connection() as connection:
            # The chain, like the locks, comes before the first statement that sees the tables: what that sees
            # is then as they are, the end of the chain among it.
            head = self._chains.take()
            running = connection.transaction(isolation="repeatable_read")
            await running.start()
            try:
                if before:
                    await connection.execute(_QUEUE)
                if before >= _IN_TURN:
                    await connection.execute(_NOBODY_ELSE)
                if alone:
                    await connection.execute(_ALONE)
                transaction = kind(
                    connection,
                    self._learn,
                    self._words.known,
                    self._now,
                    alone=alone,
                    generation=self._words.generation,
                )
                await transaction.begin()
                result = await work(transaction)
                await transaction.finish()
                ended = await self._with_audit(connection, head, transaction.events)
            except BaseException:
                await running.rollback()
                self._chains.give(head)
                raise
            await running.commit()  # where this fails, nobody knows where the chain ends: it ends here
        self._chains.give(ended)
        return result

    async def _with_audit(self, connection: Connection, head: Head, events: Sequence[Event]) -> Head:
        """Record what a work tells of itself; answers where its chain ends once it is committed."""
        return await record(connection, head, events, self._now()) if events else head

    async def _recorded(self, events: Sequence[Event]) -> None:
        """Record what belongs to no work: in one statement, which is its own transaction."""
        async with self._connection() as connection:
            self._chains.give(await record(connection, self._chains.take(), events, self._now()))

    async def _learn(self, texts: set[str]) -> Mapping[str, int]:
        while self._words.unknown(texts):
            async with self._pool.acquire() as connection:
                await self._words.learn(connection, texts)
        return self._words.numbers(texts)

    @asynccontextmanager
    async def _connection(self) -> AsyncIterator[Connection]:
        """A connection; what goes wrong with it is told in our own errors, races excepted."""
        if self._closed:
            raise StoreUnavailable("The store is closed.")
        try:
            async with self._pool.acquire(timeout=_CONNECT_SECONDS) as connection:
                yield connection
        except (*_RACES, WordsTakenBack):
            raise
        except (*_LOST, asyncpg.PostgresError) as error:
            raise _told(error) from error


def _unreachable(error: BaseException) -> StoreUnreachable:
    return StoreUnreachable(f"The database's server does not answer ({type(error).__name__}).")


class _Lost(StoreUnreachable):
    """The connection is gone; another may be there."""


class _TooLong(StoreUnavailable):
    """A statement took longer than it may."""


def _told(error: Exception) -> ServiceError:
    """An error of the driver as one of ours, without its own words, which may quote what is stored."""
    name = type(error).__name__
    match error:
        case asyncpg.QueryCanceledError():
            return _TooLong("The store took too long; try again.")
        case asyncpg.DataError() | asyncpg.ProgramLimitExceededError() | ValueError():
            return InvalidInput("A value holds a character that can't be stored, or is too large.")
        case asyncpg.DiskFullError():
            return StoreUnavailable("The store can't write now: its disk is full; what was stored is safe.")
        case asyncpg.PostgresError() if not isinstance(error, _GONE):
            return StoreUnavailable(f"The store can't serve now ({name}).")
        case _:
            return _Lost(f"The database can't be reached ({name}).")


async def _settled(connection: Connection) -> Settled:
    """Where the store stands while no work holds numbers: those that do are waited for."""
    try:
        async with connection.transaction():
            await connection.execute(f"SET LOCAL lock_timeout TO {_WRITERS_WAIT_MS}")
            await connection.execute(NOBODY_WRITES)
            last, used = await connection.fetchrow("SELECT last_value, is_called FROM write_sequence")
            return Settled(last if used else 0, await connection.fetchval(NEWEST_INSTANT))
    except asyncpg.LockNotAvailableError as error:
        raise StoreUnavailable("Something large is being written; try again.") from error


async def _fetch(connection: Connection, statement: Statement) -> Sequence[Sequence[Any]]:
    sql, values = in_postgres(statement, lambda _: None)
    rows: Sequence[Sequence[Any]] = await connection.fetch(sql, *values)
    return rows


async def _fetch_whole(connection: Connection, statement: Statement) -> Sequence[Sequence[Any]]:
    """As ``_fetch``, but long texts are not shortened: they stand in no index."""
    sql, _ = in_postgres(statement, lambda _: None)
    rows: Sequence[Sequence[Any]] = await connection.fetch(sql, *statement[1])
    return rows


async def _nothing_to_reset(_connection: object) -> None:
    """Works leave no session state behind, so that a connection can be used again at once."""
