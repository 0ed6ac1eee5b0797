"""PostgreSQL for the tests: the server that listens on this machine, else one of our own; databases."""

import asyncio
import os
import shutil
import signal
import socket
import sqlite3
import subprocess
import tempfile
import threading
import time
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager, closing, contextmanager, suppress
from functools import partial
from pathlib import Path
from uuid import uuid4

import asyncpg

from service.store.postgres import PostgresStore
from service.store.sqlite import SqliteStore

USUAL = "postgresql://postgres@127.0.0.1:5432"
_MISSING = (
    "The tests need PostgreSQL (Debian: apt-get install postgresql); neither a server nor initdb is there."
)


@contextmanager
def server() -> Iterator[str]:
    """The address of a server whose user postgres may do everything, without a database's name."""
    if _answers(USUAL):
        yield USUAL
        return
    with tempfile.TemporaryDirectory(prefix="swallow-postgres-", ignore_cleanup_errors=True) as folder:
        server = Server(Path(folder))
        try:
            server.start()
            yield server.url
        finally:
            server.stop()


class Server:
    """A PostgreSQL of its own in a folder, which can be killed and started again."""

    def __init__(self, folder: Path) -> None:
        """Make its data files; PostgreSQL refuses to run as root, and then runs as postgres."""
        self._binaries = _binaries()
        self._data = folder / "data"
        self._as = {"user": "postgres", "group": "postgres"} if os.geteuid() == 0 else {}
        if self._as:
            shutil.chown(folder, **self._as)
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self._port = free.getsockname()[1]
        options = ("--username=postgres", "--auth=trust", "--encoding=UTF8", "--locale=C.UTF-8", "--no-sync")
        self._run("initdb", *options, str(self._data))
        self.url = f"postgresql://postgres@127.0.0.1:{self._port}"

    def start(self) -> None:
        """Start it and wait until it answers."""
        settings = f"-c listen_addresses=127.0.0.1 -c port={self._port} -c unix_socket_directories="
        self._run(
            "pg_ctl", "start", "-w", "-D", str(self._data), "-l", str(self._data / "log"), "-o", settings
        )

    def stop(self) -> None:
        """Stop it at once; its connections break."""
        with suppress(subprocess.CalledProcessError):  # it may be stopped already
            self._run("pg_ctl", "stop", "-m", "immediate", "-w", "-D", str(self._data))

    def kill(self) -> None:
        """Kill all its processes as a power cut would, and wait until they are gone."""
        first = int((self._data / "postmaster.pid").read_text("ascii").splitlines()[0])
        others = Path(f"/proc/{first}/task/{first}/children").read_text("ascii").split()
        for process in (first, *map(int, others)):
            with suppress(ProcessLookupError):
                os.kill(process, signal.SIGKILL)
                while True:
                    time.sleep(0.02)
                    os.kill(process, 0)  # until there is none

    def _run(self, program: str, *arguments: str) -> None:
        command = [str(self._binaries / program), *arguments]
        subprocess.run(  # noqa: S603 - our own command
            command, check=True, stdout=subprocess.DEVNULL, stdin=subprocess.DEVNULL, cwd="/", **self._as
        )


@contextmanager
def database(server_url: str, encoding: str = "UTF8") -> Iterator[str]:
    """The address of an empty database, dropped at the end.

    It sorts as English does, so that an order left to the database is seen to be wrong. Its commits do not
    wait for the disk; tests of a server that is killed have a server of their own.
    """
    name = f"swallow_test_{uuid4().hex}"
    asyncio.run(
        _ask(
            server_url,
            f"CREATE DATABASE {name} ENCODING '{encoding}' LOCALE_PROVIDER icu ICU_LOCALE 'en-US' "
            "LC_COLLATE 'C' LC_CTYPE 'C' TEMPLATE template0",
        )
    )
    asyncio.run(_ask(server_url, f"ALTER DATABASE {name} SET synchronous_commit TO off"))
    try:
        yield f"{server_url}/{name}"
    finally:
        asyncio.run(_ask(server_url, f"DROP DATABASE {name} WITH (FORCE)"))


_EMPTY = """DO $$ DECLARE name text; BEGIN
    PERFORM set_config('session_replication_role', 'replica', true);  -- without the audit trail's guards
    FOR name IN SELECT tablename FROM pg_tables WHERE schemaname = 'public'
        AND tablename NOT LIKE '%\\_%' OR tablename = 'visit_record'
        OR tablename IN ('audit_target', 'audit_chain', 'audit_begun')
        ORDER BY tablename <> 'resource' LOOP
        EXECUTE 'DELETE FROM ' || name;
    END LOOP;
    IF to_regclass('write_sequence') IS NOT NULL THEN PERFORM setval('write_sequence', 1, false); END IF;
    END $$"""


@contextmanager
def emptying(url: str) -> Iterator[Callable[[], None]]:
    """A function that takes everything out of a database and keeps its tables: quicker than a new one.

    It keeps its connection, as a new one takes PostgreSQL ten times as long as the work. A test may have
    ended it.
    """
    with asyncio.Runner(loop_factory=asyncio.new_event_loop) as runner:
        kept = runner.run(asyncpg.connect(url))

        def empty() -> None:
            nonlocal kept
            try:
                runner.run(kept.execute(_EMPTY))
            except (
                asyncpg.InterfaceError,
                asyncpg.PostgresConnectionError,
                asyncpg.AdminShutdownError,
                OSError,
            ):
                kept = runner.run(asyncpg.connect(url))
                runner.run(kept.execute(_EMPTY))

        yield empty
        kept.terminate()


def ask(url: str, sql: str) -> list:
    """Answer the rows of one statement, past the store."""
    return asyncio.run(_ask(url, sql))


@asynccontextmanager
async def stores(url: str, number: int, clock: Callable) -> AsyncIterator[list[PostgresStore]]:
    """Several stores on one database, as several service processes have them."""
    opened = [await PostgresStore.open(url, clock=clock) for _ in range(number)]
    try:
        yield opened
    finally:
        for store in opened:
            await store.close()


def rows_of(store) -> dict[str, int]:
    """How many rows each table has.

    Words are left out, they stay where a transaction is taken back, and so are the rows that a service makes
    for lists by itself.
    """
    if isinstance(store, SqliteStore):
        with closing(sqlite3.connect(store._path)) as connection:
            names = connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'").fetchall()
            counts = {name: _count(connection.execute, name).fetchone()[0] for (name,) in names}
    else:
        names = ask(store.url, "SELECT tablename FROM pg_tables WHERE schemaname = 'public'")
        counts = {name: _count(partial(ask, store.url), name)[0][0] for (name,) in names}
    return {name: count for name, count in counts.items() if name not in {"word", "summary", "touched"}}


def _count(run: Callable, table: str):
    return run(f"SELECT count(*) FROM {table}")  # noqa: S608 - our own table


class AnyLoop:
    """A store that lives in a loop of its own and can be asked from any other, also after that is closed."""

    def __init__(self, url: str, clock: Callable, **more) -> None:
        self.url = url
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, daemon=True)
        self._thread.start()
        try:
            self._store = self._wait(PostgresStore.open(url, clock=clock, **more))
        except BaseException:
            self._end()
            raise

    def __getattr__(self, name: str) -> Callable:
        """A method of the store."""
        method = getattr(self._store, name)

        async def asked(*values, **more):
            return await self._there(method(*values, **more))

        return asked

    async def changes(self, after: int = 0):
        async for one in self._stream(self._store.changes(after)):
            yield one

    async def rows(self):
        async for one in self._stream(self._store.rows()):
            yield one

    async def trail(self, until: int, **more):
        async for one in self._stream(self._store.trail(until, **more)):
            yield one

    async def chains(self):
        async for one in self._stream(self._store.chains()):
            yield one

    async def targets(self):
        async for one in self._stream(self._store.targets()):
            yield one

    async def close(self) -> None:
        if self._thread.is_alive():
            await self._there(self._store.close())
            self._end()

    async def _stream(self, rows):
        try:
            with suppress(StopAsyncIteration):
                while True:
                    yield await self._there(_next(rows))
        finally:
            await self._there(rows.aclose())

    async def _there(self, work):
        if not self._thread.is_alive():
            return await work  # closed; it says so itself
        return await asyncio.wrap_future(asyncio.run_coroutine_threadsafe(work, self._loop))

    def _wait(self, work):
        return asyncio.run_coroutine_threadsafe(work, self._loop).result()

    def _end(self) -> None:
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join()
        self._loop.close()


async def _next(rows):
    return await anext(rows)


async def _ask(url: str, sql: str) -> list:
    connection = await asyncpg.connect(url if url.count("/") > 2 else f"{url}/postgres")
    try:
        return await connection.fetch(sql)
    finally:
        await connection.close()


def _answers(url: str) -> bool:
    try:
        asyncio.run(_ask(url, "SELECT 1"))
    except (OSError, asyncpg.PostgresError):
        return False
    return True


def _binaries() -> Path:
    found = shutil.which("initdb")
    places = [Path(found).parent] if found else sorted(Path("/usr/lib/postgresql").glob("*/bin"))
    places = [place for place in places if (place / "initdb").exists()]
    if not places:
        raise FileNotFoundError(_MISSING)
    return places[-1]
