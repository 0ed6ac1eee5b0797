"""Reads and writes inside one PostgreSQL transaction; the connection is passed in.

What is put waits in memory and is written in a few statements: before anything is looked for, and at the end.
"""

from collections.abc import Callable, Sequence
from typing import Any, Literal, Protocol

from service.errors import Conflict, NotFound
from service.fhir.datetimes import instant
from service.fhir.json import stamp
from service.fhir.search_parameters import stored_types
from service.fhir.search_values import SearchKeys
from service.store.contract import Page, Query, Version, VisitKey
from service.store.guards import guard_of_identifier, guards_of_keys, guards_of_search
from service.store.postgres_pending import Head, Learn, Pending, Writing
from service.store.postgres_sql import POSTGRES, Known, in_postgres, shortened
from service.store.search_match import WIDE, WORD, Statement
from service.store.search_order import page_of
from service.store.search_sql import columns, page, total

__all__ = ["CURRENT", "Connection", "MustBeAlone", "PostgresTransaction", "run_search", "version_of"]

CURRENT = f"SELECT {columns} FROM current c JOIN resource r ON r.sequence = c.sequence"
_HEAD = (
    f"SELECT {columns}, c.key, c.updated, c.keys FROM current c JOIN resource r ON r.sequence = c.sequence "
    "WHERE c.type = $1 AND c.id = $2"
)
_WIDTH = len(columns.split(","))
_FIRST_BLOCK, _LARGEST_BLOCK = 4, 1024


class Connection(Writing, Protocol):
    """The part of a database connection that is needed here."""

    async def fetch(self, query: str, *args: Any) -> Sequence[Sequence[Any]]:
        """Answer all rows."""
        ...

    async def fetchrow(self, query: str, *args: Any) -> Sequence[Any] | None:
        """Answer the first row."""
        ...

    async def fetchval(self, query: str, *args: Any) -> Any:
        """Answer the first value of the first row."""
        ...


class MustBeAlone(Exception):
    """The work needs that nobody else writes references while it runs."""


def version_of(row: Sequence[Any]) -> Version:
    """The version in the first columns of a row."""
    sequence, type_, id_, version, last_updated, method, content = row[:_WIDTH]
    return Version(sequence, type_, id_, version, last_updated, method, content.encode())


async def run_search(connection: Connection, query: Query, known: Known) -> Page:
    """Answer one page."""
    rows: Sequence[Sequence[Any]] = []
    if query.count:
        sql, values = in_postgres(page(query, POSTGRES), known)
        rows = await connection.fetch(sql, *values)
    counted = None
    if query.total == "accurate":
        sql, values = in_postgres(total(query, POSTGRES), known)
        counted = await connection.fetchval(sql, *values)
    return page_of(query, rows, counted, version_of)


class PostgresTransaction:
    """The Transaction of the contract."""

    def __init__(
        self, connection: Connection, learn: Learn, known: Known, now: Callable[[], int], *, alone: bool
    ) -> None:
        """``learn`` numbers words, ``known`` answers numbers already known, ``now`` UTC milliseconds.

        ``alone``: no other transaction writes references until this one ends.
        """
        self._connection = connection
        self._learn = learn
        self._known = known
        self._now = now
        self._alone = alone
        self._heads: dict[tuple[str, str], Head] = {}
        self._pending = Pending()
        self._words: dict[str, int] = {}
        self._guards: set[int] = set()
        self._guards_of_written: set[int] = set()
        self._sequences: list[int] = []
        self._wrote = False

    async def read(self, type_: str, id_: str) -> Version | None:
        """See the contract."""
        return (await self._head(type_, id_)).version

    async def find(self, type_: str, system: str, value: str) -> list[Version]:
        """See the contract."""
        sql = (
            f"{CURRENT} WHERE c.key IN (SELECT key FROM token WHERE owner = {WIDE} AND code = ? "
            f"AND name = {WORD} AND system = {WORD if system else 0}) ORDER BY c.key"
        )
        bound = [value, f"{type_}.identifier", *([system] if system else [])]
        return await self._identified(value, (sql, bound))

    async def identified(self, system: str, value_prefix: str) -> list[Version]:
        """See the contract."""
        names = [f"{type_}.identifier" for type_ in stored_types()]
        sql = (
            f"{CURRENT} WHERE c.key IN (SELECT key FROM token "
            f"WHERE owner = {WIDE} AND code >= ? AND code < ? "
            f"AND name IN ({', '.join([WORD] * len(names))}) AND system = {WORD}) ORDER BY c.key"
        )
        bound = [value_prefix, value_prefix + "\U0010ffff", *names, system]
        return await self._identified(value_prefix, (sql, bound))

    async def search(self, query: Query) -> Page:
        """See the contract."""
        await self._flush()
        found = await run_search(self._connection, query, self._number)
        self._guards |= guards_of_search(query, empty=not found.versions and not found.total)
        return found

    async def referrers(self, type_: str, id_: str, limit: int) -> list[str]:
        """See the contract."""
        if not self._alone:
            raise MustBeAlone
        await self._flush()
        sql = (
            "SELECT c.type || '/' || c.id FROM current c WHERE NOT c.deleted "
            "AND NOT (c.type = $1 AND c.id = $2) "
            "AND c.key IN (SELECT key FROM reference WHERE target = $3) ORDER BY c.key LIMIT $4"
        )
        rows = await self._connection.fetch(sql, type_, id_, shortened(f"{type_}/{id_}"), limit)
        return [row[0] for row in rows]

    async def put(
        self,
        type_: str,
        id_: str,
        content: bytes,
        keys: SearchKeys,
        *,
        method: Literal["POST", "PUT"] = "PUT",
    ) -> Version:
        """See the contract."""
        return await self._next(type_, id_, method, content, keys)

    async def delete(self, type_: str, id_: str) -> Version:
        """See the contract."""
        newest = await self.read(type_, id_)
        if newest is None:
            raise NotFound(f"There is no {type_}/{id_} to delete.")
        return newest if newest.deleted else await self._next(type_, id_, "DELETE", b"", SearchKeys())

    async def visit(self, system: str, value: str) -> VisitKey | None:
        """See the contract."""
        sql = "SELECT system, value, patient, time FROM visit_record WHERE system = $1 AND value = $2"
        row = await self._connection.fetchrow(sql, system, value)
        return VisitKey(*row) if row else None

    async def claim_visit(self, key: VisitKey) -> None:
        """See the contract."""
        others = "patient = $3 AND time = $4 AND NOT (system = $1 AND value = $2)"
        bound = (key.system, key.value, key.patient, key.time)
        if await self._connection.fetchrow(f"SELECT 1 FROM visit_record WHERE {others}", *bound):
            raise Conflict("Another visit record holds the same patient and time.")
        self._wrote = True
        await self._connection.execute(
            "INSERT INTO visit_record (system, value, patient, time) VALUES ($1, $2, $3, $4) "
            "ON CONFLICT (system, value) DO UPDATE SET patient = excluded.patient, time = excluded.time",
            *bound,
        )

    async def begin(self) -> None:
        """Take the locks that have to be held before anything is seen: none."""

    async def finish(self) -> None:
        """Write what waits, and what shows others on what this relied; to commit is the caller's part."""
        await self._flush()
        if not self._wrote:
            return
        if self._guards:
            await self._connection.execute(
                "INSERT INTO guard (key, turn) SELECT key, 0 FROM unnest($1::bigint[]) AS key "
                "ON CONFLICT (key) DO UPDATE SET turn = guard.turn + 1",
                sorted(self._guards | self._guards_of_written),
            )
        unchanged = sorted(head.key for head in self._heads.values() if head.stored and head.keys is None)
        if unchanged:  # what was read and left as it is must still be so at the commit
            await self._connection.execute(
                "SELECT 1 FROM current WHERE key = ANY($1::bigint[]) ORDER BY key FOR SHARE", unchanged
            )

    async def _next(
        self, type_: str, id_: str, method: Literal["POST", "PUT", "DELETE"], content: bytes, keys: SearchKeys
    ) -> Version:
        head = await self._head(type_, id_)
        number = head.version.version + 1 if head.version else 1
        head.updated = max(self._now(), head.updated + 1)
        moment = instant(head.updated)
        if method != "DELETE":
            content = stamp(content, id_=id_, version=number, last_updated=moment)
        sequence = await self._sequence()
        head.key = head.key or sequence
        head.version = Version(sequence, type_, id_, number, moment, method, content)
        head.keys = keys
        self._guards_of_written |= guards_of_keys(keys)
        self._pending.add(head, head.version)
        return head.version

    async def _head(self, type_: str, id_: str) -> Head:
        head = self._heads.get((type_, id_))
        if head is None:
            row = await self._connection.fetchrow(_HEAD, type_, id_)
            head = Head()
            if row:
                key, updated, filed = row[_WIDTH:]
                head = Head(version_of(row), key, updated, filed, stored=True)
            self._heads[type_, id_] = head
        return head

    async def _sequence(self) -> int:
        """The next number; taken in growing blocks, so that a long transaction asks seldom."""
        if not self._sequences:
            wanted = min(max(_FIRST_BLOCK, 4 * len(self._heads)), _LARGEST_BLOCK)
            taken = await self._connection.fetchval("SELECT take_sequences($1)", wanted)
            self._sequences = taken[::-1]
        return self._sequences.pop()

    async def _identified(self, value: str, statement: Statement) -> list[Version]:
        await self._flush()
        sql, values = in_postgres(statement, self._number)
        found = [version_of(row) for row in await self._connection.fetch(sql, *values)]
        if not found:
            self._guards.add(guard_of_identifier(value))
        return found

    async def _flush(self) -> None:
        if self._pending.heads:
            pending, self._pending = self._pending, Pending()
            self._wrote = True
            self._words |= await pending.write(self._connection, self._learn)

    def _number(self, text: str) -> int | None:
        """The number of a word: its own new ones are not in what this transaction sees of the database."""
        return self._words.get(text) or self._known(text)
