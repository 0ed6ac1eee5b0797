"""What travels with the program, beside what is stored: read and found in the same way, and never written.

The AuditEvents, which lie apart and only the service itself writes, are shown here too. What travels along
belongs to the program that answers, not to the database: every process tells of itself, a backup holds none
of it, and nothing is delivered or exported because the program is newer. It is kept in a database in memory.
A search asks both databases the same and merges their pages: resources in memory have higher keys than any
that is stored, so that one order, and one position in it, holds for both.
"""

import threading
from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, partial
from typing import Any, TypeVar
from zoneinfo import ZoneInfo

from service.fhir.datetimes import interval
from service.fhir.search_query import Clause
from service.fhir.search_values import SearchKeys
from service.store.at_hand import at_hand
from service.store.audit import AUDIT
from service.store.contract import (
    History,
    Label,
    Page,
    Query,
    Store,
    Transaction,
    Version,
    Work,
)
from service.store.passing import PassingStore, PassingTransaction
from service.store.search_order import fitting, place_of
from service.store.sqlite_transaction import Connection, run_labels, run_search

__all__ = ["FIRST_SEQUENCE", "Beside", "Shipped"]

T = TypeVar("T")

_UTC = ZoneInfo("UTC")
FIRST_SEQUENCE = 2**52
"""Above the number of any version that is stored, and the first of those in memory."""
Make = Callable[[str, str], tuple[Version, SearchKeys]]
"""Answers the one version of a type and id, and what it is found by."""


class Shipped:
    """The resources that travel with the program."""

    def __init__(self, names: Collection[tuple[str, str]], make: Make) -> None:
        """``names`` are their types and ids; each is made when it is read, all are when searched."""
        self._names = names
        self._make = make
        self._lock = threading.Lock()
        self.types = frozenset(type_ for type_, _ in names)

    def read(self, type_: str, id_: str) -> Version | None:
        """Answer one, or None."""
        return self._make(type_, id_)[0] if (type_, id_) in self._names else None

    def search(self, query: Query) -> Page:
        """Answer one page; it takes about a millisecond, in the thread that asks."""
        with self._lock:
            return run_search(self._database, query)

    def labels(self, types: Sequence[str]) -> set[Label]:
        """Answer the profiles, security labels and tags of these types."""
        if self.types.isdisjoint(types):
            return set()
        with self._lock:
            return run_labels(self._database, types)

    @cached_property
    def _database(self) -> Connection:
        return at_hand(self._make(*name) for name in self._names)


class Beside(PassingStore):
    """The Store of the contract: ``store``, and the resources that travel with the program.

    What travels along is in no list of patients, and no change.
    """

    def __init__(self, store: Store, shipped: Shipped) -> None:
        """``store`` stays the caller's to close."""
        super().__init__(store)
        self._shipped = shipped
        self.writing = 0
        self.written = 0

    async def read(self, type_: str, id_: str) -> Version | None:
        """See the contract."""
        if type_ == AUDIT:
            return await _event(self._store, id_)
        return self._shipped.read(type_, id_) or await self._store.read(type_, id_)

    async def vread(self, type_: str, id_: str, version: int) -> Version | None:
        """See the contract; what travels with the program has its present version alone."""
        own = await self._fixed(type_, id_)
        if own is not None:
            return own if own.version == version else None
        return await self._store.vread(type_, id_, version)

    async def history(self, query: History) -> Page:
        """See the contract; of a type and of everything, what was written."""
        own = await self._fixed(query.types[0], query.id) if query.id and query.types else None
        if own is None:
            return await self._store.history(query)
        shown = query.count and not query.after and _touches(own, query)
        return Page((own,) if shown else (), 1, None)

    async def search(self, query: Query) -> Page:
        """See the contract; AuditEvents are found when they alone are asked for."""
        if query.type == AUDIT:
            return await self._store.audited(query)
        return await _searched(self._store, self._shipped, query)

    async def labels(self, types: Sequence[str]) -> set[Label]:
        """See the contract."""
        return await self._store.labels(types) | self._shipped.labels(types)

    async def write(self, name: str, work: Work[T]) -> T:
        """See the contract."""
        self.writing += 1
        try:
            done = await self._store.write(name, lambda txn: work(_Writing(txn, self._shipped)))
        finally:
            self.writing -= 1
        self.written += 1
        return done

    async def _fixed(self, type_: str, id_: str) -> Version | None:
        """A resource that has one version and never another."""
        return await _event(self._store, id_) if type_ == AUDIT else self._shipped.read(type_, id_)


async def _event(store: Store, id_: str) -> Version | None:
    found = await store.audited(Query(AUDIT, (Clause(("Resource._id",), "id", (id_,)),), total="none"))
    return found.versions[0] if found.versions else None


class _Writing(PassingTransaction):
    """The Transaction of the contract, with what travels with the program in sight."""

    def __init__(self, txn: Transaction, shipped: Shipped) -> None:
        super().__init__(txn)
        self._shipped = shipped

    async def read(self, type_: str, id_: str) -> Version | None:
        """See the contract."""
        return self._shipped.read(type_, id_) or await self._txn.read(type_, id_)

    async def search(self, query: Query) -> Page:
        return await _searched(self._txn, self._shipped, query)


def _touches(own: Version, query: History) -> bool:
    """Whether the only version is one that the history asks for."""
    written = interval(own.last_updated, _UTC)[0]
    return (query.since is None or written >= query.since) and (
        query.during is None or written < query.during[1]
    )


async def _searched(source: Store | Transaction, shipped: Shipped, query: Query) -> Page:
    if shipped.types.isdisjoint((query.type, *query.also)):
        return await source.search(query)
    placed = replace(query, placed=True)
    return _merged(query, await source.search(placed), shipped.search(placed))


@dataclass(frozen=True, slots=True)
class _Row:
    """A match of one of the two databases: its place in the order as text and as values."""

    place: str
    values: list[Any]
    version: Version


def _merged(query: Query, *pages: Page) -> Page:
    """One page of two: the first in the order of the search, up to where one of the two knows no further."""
    back = bool(query.before)
    rows = _in_order([_rows(page) for page in pages], [one.descending for one in query.sort], back=back)
    ends = {page.places[0 if back else -1] for page in pages if page.versions and _goes_on(page, back=back)}
    known = next((number for number, row in enumerate(rows, 1) if row.place in ends), len(rows))
    found = [
        row
        for row, _ in fitting(
            [(row, row.version) for row in rows[: min(known, query.count)]], query.most_bytes
        )
    ]
    more = len(found) < len(rows) or bool(ends)
    if back:
        found.reverse()
    first, last = (found[0].place, found[-1].place) if found else (None, None)
    return Page(
        tuple(row.version for row in found),
        None if pages[0].total is None else sum(page.total or 0 for page in pages),
        last if more or back else None,
        first if (more if back else query.after) else None,
    )


def _rows(page: Page) -> list[_Row]:
    return [
        _Row(place, place_of(place), version)
        for place, version in zip(page.places, page.versions, strict=True)
    ]


def _goes_on(page: Page, *, back: bool) -> bool:
    return (page.previous_before if back else page.next_after) is not None


def _value(row: _Row, at: int) -> Any:
    return row.values[at]


def _in_order(pages: Iterable[list[_Row]], descending: Sequence[bool], *, back: bool) -> list[_Row]:
    """The rows of all pages; sorted by the last key first, as sorting keeps what was in order."""
    rows = [row for page in pages for row in page]
    for number, falls in reversed(list(enumerate((*descending, False)))):
        rows.sort(key=partial(_value, at=number), reverse=falls is not back)
    return rows
