"""Reads and writes inside one PostgreSQL transaction; the connection is passed in.

What is put waits in memory and is written in a few statements: before anything is looked for, and at the end.
"""

from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any, Literal, Protocol

from service.errors import Conflict
from service.fhir.search_parameters import stored_types
from service.fhir.search_values import SearchKeys
from service.store.audit import Audited
from service.store.buffered import Buffered, Head, Pending
from service.store.contract import Identified, Page, Query, Version, VisitKey
from service.store.guards import guard_of_identifier, guards_of_keys, guards_of_search
from service.store.key_rows import Row, words_of
from service.store.postgres_audit import keep
from service.store.postgres_rows import (
    INSERT_CURRENT,
    RESOURCE,
    UPDATE_CURRENT,
    columns_of,
    deletions,
    insertions,
)
from service.store.postgres_sql import POSTGRES, Known, in_postgres, shortened
from service.store.postgres_words import WordsTakenBack
from service.store.search_match import TEXT_MARK, WIDE, WORD, Dialect, Statement
from service.store.search_order import page_of
from service.store.search_sql import columns, page, total
from service.store.summaries import Seen, Summary
from service.store.summaries_sql import FORGET, KEEP, forgotten, kept

__all__ = [
    "CURRENT",
    "NOBODY_WRITES",
    "VERSION",
    "Connection",
    "MustBeAlone",
    "PostgresTransaction",
    "run_search",
    "version_of",
]

VERSION = (
    f"SELECT {columns} FROM current c JOIN resource r ON r.key = c.key "
    "WHERE c.type = $1 AND c.id = $2 AND r.version = $3"
)
CURRENT = f"SELECT {columns} FROM current c JOIN resource r ON r.sequence = c.sequence"
_HEAD_COLUMNS = (
    f"SELECT {columns}, c.key, c.updated, c.keys FROM current c JOIN resource r ON r.sequence = c.sequence"
)
_HEAD = f"{_HEAD_COLUMNS} WHERE c.type = $1 AND c.id = $2"
_HEADS = f"{_HEAD_COLUMNS} WHERE (c.type, c.id) IN (SELECT * FROM unnest($1::text[], $2::text[]))"
_FOUND = f"""
    SELECT w.place, {columns}
    FROM unnest($1::bigint[], $2::bigint[], $3::text[], $4::bigint[]) AS w (place, name, code, system)
    JOIN token k ON k.owner = {WIDE} AND k.name = w.name AND k.code = w.code AND k.system = w.system
    JOIN current c ON c.key = k.key JOIN resource r ON r.sequence = c.sequence ORDER BY w.place, c.key
"""
_TOUCH = """
    WITH touch AS (
        INSERT INTO touched (patient, sequence) SELECT * FROM unnest($1::text[], $2::bigint[])
        ON CONFLICT DO NOTHING
    ), there AS MATERIALIZED (
        SELECT id FROM current WHERE type = 'Patient' AND id = ANY($1::text[]) ORDER BY id FOR KEY SHARE
    )
    SELECT name FROM entry WHERE kind = 'erasure' AND name = ANY($1::text[])
    UNION ALL SELECT id FROM there WHERE id = ''
"""
"""Notes whose resources changed; answers those who were erased. Who is being erased meanwhile is waited for
(their row in ``current`` is taken away and made anew), and the work is then done again."""
_WORDS = "SELECT text, key FROM word WHERE text = ANY($1::text[])"
_NUMBERS = """
    WITH writing AS MATERIALIZED (SELECT pg_advisory_xact_lock_shared(21335, 1))
    SELECT take_sequences($1) FROM writing
"""
"""Numbers for what is written, by a work that from now on is one of those that hold some."""
NOBODY_WRITES = "SELECT pg_advisory_xact_lock(21335, 1)"
"""Waits until no work holds numbers, and keeps others from taking any until the transaction ends."""
_NO_WORD = -2
_WIDTH = len(Version.__struct_fields__)
_FIRST_BLOCK, _LARGEST_BLOCK = 4, 1024


Learn = Callable[[set[str]], Awaitable[Mapping[str, int]]]
"""Gives every word a number, and answers them."""


class Connection(Protocol):
    """The part of a database connection that is needed here."""

    async def execute(self, query: str, *args: Any) -> Any:
        """Run one statement."""
        ...

    async def executemany(self, command: str, args: list[Row]) -> Any:
        """Run one statement for many rows."""
        ...

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
    sequence, type_, id_, version, last_updated, method, content, *about = row[:_WIDTH]
    return Version(sequence, type_, id_, version, last_updated, method, content.encode(), *about)


async def run_search(connection: Connection, query: Query, known: Known, dialect: Dialect = POSTGRES) -> Page:
    """Answer one page."""
    rows: Sequence[Sequence[Any]] = []
    if query.count:
        sql, values = in_postgres(page(query, dialect), known)
        rows = await connection.fetch(sql, *values)
    counted = None
    if query.total == "accurate":
        sql, values = in_postgres(total(query, dialect), known)
        counted = await connection.fetchval(sql, *values)
    return page_of(query, rows, counted, version_of)


class PostgresTransaction(Buffered):
    """The Transaction of the contract."""

    def __init__(  # noqa: PLR0913 - what a transaction works with
        self,
        connection: Connection,
        learn: Learn,
        known: Known,
        now: Callable[[], int],
        *,
        alone: bool,
        generation: int,
    ) -> None:
        """``learn`` numbers words, ``known`` answers numbers already known, ``now`` UTC milliseconds.

        ``alone``: no other transaction writes references until this one ends. ``generation`` is that of the
        known numbers.
        """
        super().__init__(now)
        self._connection = connection
        self._learn = learn
        self._known = known
        self._alone = alone
        self._generation = generation
        self._words: dict[str, int] = {}
        self._guards: set[int] = set()
        self._guards_of_written: set[int] = set()
        self._sequences: list[int] = []
        self._wrote = False

    async def expect(self, names: Sequence[tuple[str, str]]) -> None:
        """See the contract."""
        fresh = [name for name in names if name not in self._heads]
        if len(fresh) > 1:
            self._heads |= {name: Head() for name in fresh}
            for row in await self._connection.fetch(_HEADS, *columns_of(fresh)):
                self._heads[row[1], row[2]] = _head_of(row)

    async def find_all(self, wanted: Sequence[Identified]) -> list[list[Version]]:
        """See the contract."""
        await self._flush()
        names = [f"{one.type}.identifier" for one in wanted]
        numbers = await self._numbers({*names, *(one.system for one in wanted)})
        rows = await self._connection.fetch(
            _FOUND,
            list(range(len(wanted))),
            [numbers.get(name, _NO_WORD) for name in names],
            [shortened(one.value) for one in wanted],
            [numbers.get(one.system, _NO_WORD) for one in wanted],
        )
        found: list[list[Version]] = [[] for _ in wanted]
        for place, *row in rows:
            found[place].append(version_of(row))
        missing = (one for one, carriers in zip(wanted, found, strict=True) if not carriers)
        self._guards |= {guard_of_identifier(one.value) for one in missing}
        return found

    async def identified(self, system: str, value_prefix: str) -> list[Version]:
        """See the contract."""
        names = [f"{type_}.identifier" for type_ in stored_types()]
        sql = (
            f"{CURRENT} WHERE c.key IN (SELECT key FROM token "
            f"WHERE owner = {WIDE} AND code >= ? AND code < ? "
            f"AND name IN ({', '.join([WORD] * len(names))}) AND system = {WORD}) ORDER BY c.key"
        )
        bound = [value_prefix, value_prefix + "\U0010ffff", *names, system]
        await self._flush()
        sql, values = in_postgres((sql, bound), self._number)
        found = [version_of(row) for row in await self._connection.fetch(sql, *values)]
        if not found:
            self._guards.add(guard_of_identifier(value_prefix))
        return found

    async def search(self, query: Query) -> Page:
        """See the contract."""
        await self._flush()
        dialect = replace(POSTGRES, fresh=self._fresh)
        found = await run_search(self._connection, query, self._number, dialect)
        self._guards |= guards_of_search(query, empty=not found.versions and not found.total)
        return found

    async def vread(self, type_: str, id_: str, version: int) -> Version | None:
        """See the contract."""
        await self._flush()
        row = await self._connection.fetchrow(VERSION, type_, id_, version)
        return version_of(row) if row else None

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

    async def keep_summary(self, seen: Seen, summary: Summary | None) -> bool:
        """See the contract."""
        if summary is None:
            await self._run(FORGET, seen.patient, seen.edition)
        elif not await self._run(KEEP, *kept(summary, seen)):
            return False
        for sql, values in forgotten(seen):
            await self._run(sql, *values)
        return True

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
        self._guards_of_written |= guards_of_keys(keys)
        return await super()._next(type_, id_, method, content, keys)

    async def _fetched(self, type_: str, id_: str) -> Head:
        row = await self._connection.fetchrow(_HEAD, type_, id_)
        return _head_of(row) if row else Head()

    async def _sequence(self) -> int:
        """The next number; taken in growing blocks, so that a long transaction asks seldom."""
        if not self._sequences:
            wanted = min(max(_FIRST_BLOCK, 4 * len(self._heads)), _LARGEST_BLOCK)
            taken = await self._connection.fetchval(_NUMBERS, wanted)
            self._sequences = taken[::-1]
        return self._sequences.pop()

    async def _write_audited(self, rows: Sequence[Audited]) -> None:
        await keep(self._connection, rows)

    async def _write(self, pending: Pending) -> None:
        """One statement a table, columns as arrays."""
        self._wrote = True
        keys = [head.keys for head in pending.heads.values() if head.keys]
        words = await self._learn({word for one in keys for word in words_of(one)})
        self._words |= words
        old, new = pending.file(words.__getitem__, _fitting)
        if fresh := list(pending.current(stored=False)):
            await self._connection.execute(INSERT_CURRENT, *columns_of(fresh))
        if changed := list(pending.current(stored=True)):
            await self._connection.executemany(UPDATE_CURRENT, changed)
        if pending.versions:
            versions = [
                (
                    one.sequence,
                    key,
                    one.version,
                    one.last_updated,
                    one.method,
                    one.content.decode(),
                    one.labelled,
                )
                for key, one in pending.versions
            ]
            generation = await self._connection.fetchval(RESOURCE, *columns_of(versions))
            if generation != self._generation:
                raise WordsTakenBack(generation)
        for sql, rows in deletions(old):
            await self._connection.executemany(sql, rows)
        for sql, arrays in insertions(new):
            await self._connection.execute(sql, *arrays)
        if pending.touched:
            erased = await self._connection.fetch(_TOUCH, *columns_of(sorted(pending.touched.items())))
            self._refuse_erased([name for (name,) in erased])

    async def _numbers(self, texts: set[str]) -> dict[str, int]:
        """The numbers of those words that have one."""
        numbers = {text: number for text in texts if (number := self._number(text)) is not None}
        short = {shortened(text): text for text in texts - numbers.keys()}
        rows = await self._connection.fetch(_WORDS, list(short)) if short else ()
        return numbers | {short[text]: number for text, number in rows}

    async def _asked(self, statement: Statement) -> Sequence[Sequence[Any]]:
        return await self._run(statement[0], *statement[1])

    async def _run(self, sql: str, *values: Any) -> Sequence[Sequence[Any]]:
        """Run a shared statement, its values as they are."""
        numbered, _ = in_postgres((sql, list(values)), self._number)
        return await self._connection.fetch(numbered, *values)

    def _fresh(self, text: str) -> list[int]:
        return [number for word, number in self._words.items() if word.startswith(TEXT_MARK) and text in word]

    def _number(self, text: str) -> int | None:
        """The number of a word: its own new ones are not in what this transaction sees of the database."""
        return self._words.get(text) or self._known(text)


def _head_of(row: Sequence[Any]) -> Head:
    key, updated, filed = row[_WIDTH:]
    return Head(version_of(row), key, updated, filed, stored=True)


def _fitting(row: Row) -> Row:
    return tuple(shortened(one) if isinstance(one, str) else one for one in row)
