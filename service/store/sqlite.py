"""The store on SQLite, a database and a file of accesses beside it: the only file that knows ``sqlite3``.

One thread writes. It takes the works that are waiting, runs each in a savepoint of one transaction, commits,
and only then answers them all (group commit: one flush to disk for many callers). Reads by id run on the
calling thread, they take microseconds; searches run in a small pool. AuditEvents that belong to no write have
a thread and a file of their own (``sqlite_accesses.py``). WAL with synchronous=FULL: what was answered
survives a kill and a power cut.
"""

import asyncio
import queue
import sqlite3
import threading
import time
from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing, suppress
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

from service.errors import StoreUnavailable, TooCostly
from service.fhir.datetimes import LATEST, milliseconds
from service.store.archive import Archive, Kept, Rows, in_chunks
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
    new_head,
)
from service.store.audit_gathered import Gathered
from service.store.audit_links import Named
from service.store.contract import (
    History,
    Label,
    Page,
    Query,
    Settled,
    States,
    Transaction,
    Version,
    VisitKey,
    Work,
)
from service.store.entries import Entry, EntryKind, entered
from service.store.entries import forgotten as forgotten_entries
from service.store.entries import listed as listed_entries
from service.store.history_sql import history_of, history_page, history_total
from service.store.migrations import COMPATIBLE_WITH, SCHEMA_VERSION, judge, schema, statements
from service.store.search_match import SQLITE, Statement
from service.store.search_order import begun
from service.store.search_sql import columns
from service.store.sqlite_accesses import Accesses, accesses_path
from service.store.sqlite_archive import SqliteArchive, kept_after, visits
from service.store.sqlite_archive import entries as travelling_entries
from service.store.sqlite_audit import (
    beginnings,
    chain_chunk,
    ends,
    file_targets,
    record,
    run_audited,
    take_away,
    targets_chunk,
    trail_chunk,
)
from service.store.sqlite_transaction import (
    SqliteTransaction,
    Words,
    read_newest,
    read_version,
    run_labels,
    run_search,
)
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

__all__ = ["SqliteStore", "in_memory"]

T = TypeVar("T")
Txn = TypeVar("Txn", bound=SqliteTransaction)

_GROUP = 64
_BUSY_SECONDS = 5.0
"""How long a write or a search waits for another program that holds the database."""
_READ_SECONDS = 0.05
"""The same for reads by id, which hold up the calling thread."""
_SCRUB_SECONDS = 60.0
"""How long writing the file anew waits for others."""
_SEARCH_SECONDS = 10.0
_CHUNK = 200
_STEPS = 100_000


@dataclass(slots=True)
class _Job:
    """``begin`` makes the transaction. Nobody waits for what has no ``done``.

    ``naming``: the trail is to name where its chains end.
    """

    name: str
    begin: Callable[[sqlite3.Connection, Words, Callable[[], int]], SqliteTransaction]
    work: Callable[[Any], Awaitable[Any]]
    done: "asyncio.Future[Any] | None" = None
    naming: bool = False
    result: Any = None
    error: BaseException | None = None
    events: Sequence[Event] = ()


class SqliteStore:
    """The Store of the contract on one database file, with the file of accesses beside it."""

    def __init__(
        self, path: Path, *, clock: Callable[[], datetime], readers: int = 2, older: bool = False
    ) -> None:
        """Open or create the database at ``path``; ``clock`` answers now, with a zone.

        ``older``: its tables may be of an older program. StoreUnavailable if it can't be opened, or its
        schema is not one this program can use.
        """
        self._path = path
        self._accesses_path = accesses_path(path)
        self._local = threading.local()
        self._opened: list[sqlite3.Connection] = []
        self._lock = threading.Lock()
        self._jobs: queue.SimpleQueue[_Job | None] = queue.SimpleQueue()
        self._closed = False
        self._now: Callable[[], int] = lambda: milliseconds(clock())
        try:
            path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            for file in (path, self._accesses_path):
                file.touch(
                    mode=0o600, exist_ok=True
                )  # health data: for the owner alone, its log files as well
            self._writing = self._connect(path)
            _prepare(self._writing, older=older)
            self._accesses = Accesses(self._connect(self._accesses_path), self._database, self._now)
        except (sqlite3.Error, OSError) as error:
            raise StoreUnavailable(f"The database {path.name} can't be opened: {error}.") from error
        self._words = Words(self._writing)
        self._generation = 0
        self._head = new_head()
        self._audit = Gathered(self._recorded)
        self._recorder = ThreadPoolExecutor(1, thread_name_prefix="store-access")
        self._pool = ThreadPoolExecutor(readers, thread_name_prefix="store-read")
        self._writer = threading.Thread(target=self._write_forever, name="store-write", daemon=True)
        self._writer.start()

    async def read(self, type_: str, id_: str) -> Version | None:
        """See the contract."""
        return self._guarded(partial(read_newest, type_=type_, id_=id_))

    async def vread(self, type_: str, id_: str, version: int) -> Version | None:
        """See the contract."""
        return self._guarded(partial(read_version, type_=type_, id_=id_, version=version))

    async def history(self, query: History) -> Page:
        """See the contract; one that takes too long is refused as too costly."""
        return await self._in_pool(
            lambda connection: _limited(connection, lambda: _history(connection, query))
        )

    async def search(self, query: Query) -> Page:
        """See the contract; a search that takes too long is refused as too costly."""
        return await self._in_pool(
            lambda connection: _limited(connection, lambda: run_search(connection, query))
        )

    async def summaries(self, query: SummaryQuery) -> SummaryPage:
        """See the contract."""
        return await self._in_pool(partial(_summaries, query=query))

    async def behind(self, day: str, basis: str, count: int) -> list[str]:
        """See the contract."""
        return await self._in_pool(partial(_firsts, statement=behind(day, basis, count)))

    async def noted(self, count: int) -> list[str]:
        """See the contract."""
        return await self._in_pool(partial(_firsts, statement=noted(count)))

    async def seen(self, patients: Sequence[str]) -> list[Seen]:
        """See the contract."""
        return await self._in_pool(
            lambda connection: seen_of(
                patients,
                connection.execute(*editions(patients)).fetchall(),
                connection.execute(*notes(patients)).fetchall(),
            )
        )

    async def labels(self, types: Sequence[str]) -> set[Label]:
        """See the contract; refused as too costly where it takes too long."""
        return await self._in_pool(
            lambda connection: _limited(connection, lambda: run_labels(connection, types))
        )

    async def write(self, name: str, work: Work[T]) -> T:
        """See the contract."""
        return await self._queued(name, SqliteTransaction, work)

    async def audit(self, events: Sequence[Event]) -> None:
        """See the contract."""
        await self._audit.add(events)

    async def audited(self, query: Query) -> Page:
        """See the contract; a search that takes too long is refused as too costly."""
        return await self._of_trail(
            lambda files: _limited(files[0], lambda: _limited(files[1], lambda: run_audited(files, query)))
        )

    def trail(self, until: int, *, since: int = 0, links: bool = False) -> Trail:
        """See Movable."""

        async def chunk(place: tuple[int, str, int]) -> list[Audited]:
            return await self._of_trail(partial(trail_chunk, place=place, until=until, links=links))

        return in_trail(chunk, since)

    def chains(self) -> Trail:
        """See Movable."""

        async def chunk(chain: str, place: int) -> list[Audited]:
            return await self._of_trail(partial(chain_chunk, chain=chain, place=place))

        return by_chain(chunk)

    def targets(self) -> Targets:
        """See Movable."""

        async def chunk(last: Target) -> list[Target]:
            return await self._of_trail(partial(targets_chunk, last=last))

        return every_target(chunk)

    async def beginnings(self) -> list[Begun]:
        """See Movable."""
        return await self._of_trail(beginnings)

    async def take_away(self, before: int) -> int:
        """See Movable."""

        async def work(_txn: Transaction) -> int:
            return take_away(self._writing, before)

        taken = await self.write("audit", work)
        return taken + await self._in_recorder(lambda: self._accesses.take_away(before))

    async def ends(self) -> list[Named]:
        """See Movable."""
        return await self._of_trail(ends)

    async def changes(self, after: int = 0) -> AsyncIterator[Version]:
        """See the contract."""
        while True:
            rows = await self._in_pool(partial(_changed, after=after))
            for version in rows:
                yield version
            if len(rows) < _CHUNK:
                return
            after = rows[-1].sequence

    async def settled(self) -> Settled:
        """See the contract; one writes at a time, so that whoever looks never sees half of anything."""
        return await self._in_pool(_settled)

    async def states(self, query: States) -> list[Version]:
        """See the contract."""
        return await self._in_pool(
            lambda connection: [Version(*row) for row in connection.execute(*states_page(query))]
        )

    async def size(self) -> int:
        """See Movable."""
        count: int = await self._in_pool(
            lambda connection: connection.execute("SELECT count(*) FROM resource").fetchone()[0]
        )
        return count

    async def rows(self) -> Rows:
        """See Movable."""
        connection, accesses = (self._connect(path) for path in (self._path, self._accesses_path))

        async def begin(_txn: Transaction) -> None:
            """While nobody writes to the database, neither file names what the other does not show."""
            for one in (connection, accesses):
                one.execute("BEGIN")
                one.execute("SELECT 1 FROM sqlite_master").fetchone()

        async def versions(after: int) -> list[Kept]:
            return await asyncio.to_thread(kept_after, connection, after)

        async def keys() -> list[VisitKey]:
            return await asyncio.to_thread(visits, connection)

        async def later() -> list[Begun]:
            return await asyncio.to_thread(beginnings, [connection, accesses])

        async def trail(place: tuple[int, str, int]) -> list[Audited]:
            return await asyncio.to_thread(trail_chunk, [connection, accesses], place, LATEST)

        async def others() -> list[Entry]:
            return await asyncio.to_thread(travelling_entries, connection)

        try:
            await self.write("snapshot", begin)
            async for row in in_chunks(versions, keys, later, trail, others):
                yield row
        except sqlite3.Error as error:
            raise StoreUnavailable(f"The store can't be read now: {_why(error)}.") from error
        finally:
            connection.close()
            accesses.close()

    async def archive(self, name: str, work: Callable[[Archive], Awaitable[T]]) -> T:
        """See Movable."""
        return await self._queued(name, partial(SqliteArchive, accesses=self._beside), work)

    async def ask(self, statement: Statement) -> Sequence[Sequence[Any]]:
        """See Asked."""
        rows: list[Any] = await self._in_pool(lambda connection: connection.execute(*statement).fetchall())
        return rows

    async def do(self, statement: Statement) -> Sequence[Sequence[Any]]:
        """See Done."""
        return await self._written("job", statement)

    async def scrub(self) -> bool:
        """See Movable: each file is written anew, as its unused parts hold copies of rows that were moved.

        Others can't write meanwhile. It needs as much free room again as the larger file takes.
        """

        def anew(path: Path) -> bool:
            with closing(self._connect(path, _SCRUB_SECONDS)) as connection, suppress(sqlite3.Error):
                connection.execute("VACUUM")
                busy, _, _ = connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
                return not busy
            return False

        done = [await asyncio.to_thread(anew, path) for path in (self._path, self._accesses_path)]
        return all(done)

    async def entries(self, kind: EntryKind) -> list[Entry]:
        """See Entries."""
        rows = await self._in_pool(lambda connection: connection.execute(*listed_entries(kind)).fetchall())
        return [Entry(*row) for row in rows]

    async def enter(self, entry: Entry, *, once: bool = False) -> bool:
        """See Entries."""
        return bool(await self._written("entry", entered(entry, once=once)))

    async def forget(self, before: int) -> None:
        """See Entries."""
        await self._written("entry", forgotten_entries(before))

    async def close(self) -> None:
        """See the contract."""
        if self._closed:
            return
        self._closed = True
        await asyncio.get_running_loop().run_in_executor(None, self._finish)
        with self._lock:
            for connection in self._opened:
                connection.close()

    def _finish(self) -> None:
        """Let every thread come to its end."""
        self._recorder.shutdown()
        if self._accesses.unnamed:
            self._name_ends()
        self._jobs.put(None)
        self._writer.join()
        self._pool.shutdown()

    async def _recorded(self, events: Sequence[Event]) -> None:
        await self._in_recorder(lambda: self._keep(events))

    def _keep(self, events: Sequence[Event]) -> None:
        """Write events to the file of accesses; as in the database, nobody is refused what can't be filed."""
        if self._accesses.keep(events):
            self._name_ends()
            with suppress(sqlite3.Error):
                self._accesses.file()

    async def _in_recorder(self, work: Callable[[], T]) -> T:
        if self._closed:
            raise StoreUnavailable("The store is closed.")
        try:
            return await asyncio.get_running_loop().run_in_executor(self._recorder, work)
        except sqlite3.Error as error:
            raise StoreUnavailable(f"The store can't write now (audit): {_why(error)}.") from error

    def _name_ends(self) -> None:
        """Have the database name where the chains end; nobody waits for it."""
        self._jobs.put(_Job("audit link", SqliteTransaction, _nothing, naming=True))

    async def _written(self, name: str, statement: Statement) -> list[Any]:
        """Run one statement where works are run; answers its rows."""

        async def work(_txn: Transaction) -> list[Any]:
            rows: list[Any] = self._writing.execute(*statement).fetchall()
            return rows

        return await self.write(name, work)

    async def _queued(
        self,
        name: str,
        begin: Callable[[sqlite3.Connection, Words, Callable[[], int]], Txn],
        work: Callable[[Txn], Awaitable[T]],
    ) -> T:
        if self._closed:
            raise StoreUnavailable("The store is closed.")
        done: asyncio.Future[T] = asyncio.get_running_loop().create_future()
        self._jobs.put(_Job(name, begin, work, done))
        return await done

    def _connect(self, path: Path, patience: float = _BUSY_SECONDS) -> sqlite3.Connection:
        connection = sqlite3.connect(path, timeout=patience, isolation_level=None, check_same_thread=False)
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("PRAGMA secure_delete = ON")  # what is taken away is overwritten
        with self._lock:
            self._opened.append(connection)
        return connection

    def _reading(self, patience: float = _READ_SECONDS) -> sqlite3.Connection:
        """This thread's own connection to the database."""
        connection: sqlite3.Connection | None = getattr(self._local, "connection", None)
        if connection is None:
            connection = self._local.connection = self._read_only(self._path, patience)
        return connection

    def _database(self) -> sqlite3.Connection:
        return self._reading(_BUSY_SECONDS)

    def _beside(self) -> sqlite3.Connection:
        """This thread's own connection to the file of accesses."""
        connection: sqlite3.Connection | None = getattr(self._local, "accesses", None)
        if connection is None:
            connection = self._local.accesses = self._read_only(self._accesses_path, _BUSY_SECONDS)
        return connection

    def _read_only(self, path: Path, patience: float) -> sqlite3.Connection:
        connection = self._connect(path, patience)
        connection.execute("PRAGMA query_only = ON")
        return connection

    def _guarded(self, ask: Callable[[sqlite3.Connection], T], patience: float = _READ_SECONDS) -> T:
        if self._closed:
            raise StoreUnavailable("The store is closed.")
        try:
            return ask(self._reading(patience))
        except sqlite3.Error as error:
            raise StoreUnavailable(f"The store can't be read now: {_why(error)}.") from error

    async def _in_pool(self, ask: Callable[[sqlite3.Connection], T]) -> T:
        if self._closed:
            raise StoreUnavailable("The store is closed.")
        return await asyncio.get_running_loop().run_in_executor(self._pool, self._guarded, ask, _BUSY_SECONDS)

    async def _of_trail(self, ask: Callable[[Sequence[sqlite3.Connection]], T]) -> T:
        return await self._in_pool(lambda connection: ask((connection, self._beside())))

    def _write_forever(self) -> None:
        going = True
        while going and (first := self._jobs.get()) is not None:
            group = [first]
            try:
                self._begin(group)
                going = self._run_group(group)
                head = self._with_audit(group)
                self._writing.execute("COMMIT")
                self._head = head
                self._words.keep()
            except Exception as error:  # noqa: BLE001 - the writer must live on, or every later write hangs
                self._fail(group, error)
            for job in group:
                _answer(job)
            with suppress(sqlite3.Error):
                file_targets(self._writing)
        while not self._jobs.empty():
            late = self._jobs.get()
            if late is not None:
                late.error = StoreUnavailable("The store is closed.")
                _answer(late)

    def _begin(self, group: list[_Job]) -> None:
        """Begin a transaction; if the database stays locked, those behind have waited long enough as well."""
        try:
            self._writing.execute("BEGIN IMMEDIATE")
            (generation,) = self._writing.execute("PRAGMA user_version").fetchone()
            if generation != self._generation:  # numbers of words were taken back (see SqliteArchive.sweep)
                self._words.clear()
                self._generation = generation
        except sqlite3.Error:
            while not self._jobs.empty():
                job = self._jobs.get()
                if job is None:  # the last of all
                    self._jobs.put(None)
                    break
                group.append(job)
            raise

    def _run_group(self, group: list[_Job]) -> bool:
        """Run the first work and those waiting behind it; whether more may come after."""
        self._run(group[0])
        while len(group) < _GROUP:
            try:
                job = self._jobs.get_nowait()
            except queue.Empty:
                return True
            if job is None:
                return False
            group.append(job)
            self._run(job)
        return True

    def _run(self, job: _Job) -> None:
        """One work in its savepoint: kept whole, or not at all."""
        self._writing.execute("SAVEPOINT work")
        try:
            job.result = _drive(self._whole(job))
        except sqlite3.Error as error:
            if not self._writing.in_transaction:  # a full disk takes back the whole group
                raise
            job.error = StoreUnavailable(f"The store can't write now ({job.name}): {_why(error)}.")
        except Exception as error:  # noqa: BLE001 - whatever a work raises belongs to its caller
            job.error = error
        if job.error is not None:
            self._words.forget()
            self._writing.execute("ROLLBACK TO work")
        self._writing.execute("RELEASE work")

    def _with_audit(self, group: list[_Job]) -> Head:
        """Record what the works of the group tell of themselves; answers the end of the chain then."""
        events = [event for job in group if job.error is None for event in job.events]
        head = self._head
        if any(job.naming for job in group):
            head = head._replace(linked=0)
        elif not events:
            return head
        return record(self._writing, head, events, self._now(), self._beside)

    async def _whole(self, job: _Job) -> Any:
        transaction = job.begin(self._writing, self._words, self._now)
        result = await job.work(transaction)
        await transaction.finish()
        job.events = transaction.events
        return result

    def _fail(self, group: list[_Job], error: Exception) -> None:
        """The whole group is lost: the database is locked, full or broken."""
        with suppress(sqlite3.Error):
            self._writing.execute("ROLLBACK")
        self._words.clear()
        for job in group:
            job.error = job.error or StoreUnavailable(f"The store can't write now: {_why(error)}.")


def _why(error: Exception) -> str:
    """What keeps the database from being used, without its own words, which may quote what is stored."""
    name = getattr(error, "sqlite_errorname", type(error).__name__)
    known = {
        "SQLITE_BUSY": "another program holds the database; try again",
        "SQLITE_FULL": "the disk is full; what was stored is safe",
        "SQLITE_IOERR": "the disk can't be written or read, or its quota is used up; what was stored is safe",
    }
    return next((text for prefix, text in known.items() if name.startswith(prefix)), name)


def _drive(work: Awaitable[T]) -> T:
    """Run a coroutine that never waits to its end."""
    steps = work.__await__()
    try:
        next(steps)
    except StopIteration as end:
        result: T = end.value
        return result
    steps.close()
    raise RuntimeError("Work inside a transaction must not wait for anything but the transaction.")


def _answer(job: _Job) -> None:
    done = job.done
    if done is None:
        return

    def settle() -> None:
        if done.done():  # the caller gave up waiting
            return
        if job.error is not None:
            done.set_exception(job.error)
        else:
            done.set_result(job.result)

    with suppress(RuntimeError):  # the caller's loop is closed: nobody is left to tell
        done.get_loop().call_soon_threadsafe(settle)


async def _nothing(_transaction: Transaction) -> None:
    """A work that changes nothing."""


def in_memory() -> sqlite3.Connection:
    """Answer a new database that lasts as long as the process; it is for one thread at a time."""
    connection = sqlite3.connect(":memory:", check_same_thread=False, isolation_level=None)
    _prepare(connection, older=False)
    return connection


def _prepare(connection: sqlite3.Connection, *, older: bool) -> None:
    """Create the tables of a new database; refuse one of another version."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        exists = connection.execute("SELECT 1 FROM sqlite_master WHERE name = 'schema_version'").fetchone()
        if not exists:
            for statement in statements([schema("sqlite")]):
                connection.execute(statement)
            values = (SCHEMA_VERSION, COMPATIBLE_WITH)
            connection.execute("INSERT INTO schema_version (version, compatible_with) VALUES (?, ?)", values)
        found = connection.execute("SELECT version, compatible_with FROM schema_version").fetchone()
    finally:
        connection.execute("COMMIT")
    judge(*found, older=older)


def _changed(connection: sqlite3.Connection, after: int) -> list[Version]:
    sql = (
        f"SELECT {columns} FROM current c JOIN resource r ON r.sequence = c.sequence "
        "WHERE c.sequence > ? ORDER BY c.sequence LIMIT ?"
    )
    return [Version(*row) for row in connection.execute(sql, (after, _CHUNK))]


def _settled(connection: sqlite3.Connection) -> Settled:
    sql = f"SELECT (SELECT coalesce(max(sequence), 0) FROM resource), ({NEWEST_INSTANT})"
    return Settled(*connection.execute(sql).fetchone())


def _summaries(connection: sqlite3.Connection, query: SummaryQuery) -> SummaryPage:
    rows = connection.execute(*listed(query, SQLITE)).fetchall()
    counts = [connection.execute(*statement).fetchone()[0] for statement in totals(query, SQLITE)]
    return page_of_summaries(rows, *counts)


def _firsts(connection: sqlite3.Connection, statement: Statement) -> list[str]:
    return [row[0] for row in connection.execute(*statement)]


def _history(connection: sqlite3.Connection, query: History) -> Page:
    rows = begun(connection.execute(*history_page(query)), query.most_bytes) if query.count else []
    found = [Version(*row) for row in rows]
    total = connection.execute(*history_total(query)).fetchone()[0] if query.id else None
    return history_of(query, found, total)


def _limited(connection: sqlite3.Connection, ask: Callable[[], T]) -> T:
    end = time.monotonic() + _SEARCH_SECONDS
    connection.set_progress_handler(lambda: time.monotonic() > end, _STEPS)
    try:
        return ask()
    except sqlite3.OperationalError as error:
        if "interrupted" not in str(error):
            raise
        text = "This search would take too long; narrow it, best by naming the patient."
        raise TooCostly(text) from error
    finally:
        connection.set_progress_handler(None, 0)
