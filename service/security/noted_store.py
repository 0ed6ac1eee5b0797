"""What a caller is handed out of a store, and writes to it, noted for the AuditEvent of the request.

A write is recorded in its own transaction: what is stored is never without its AuditEvent, nor the other way
round. What was only read is recorded before the answer leaves.
"""

from collections.abc import AsyncIterator, Sequence
from typing import Literal, TypeVar

from service.fhir.search_values import SearchKeys
from service.security.audit import Facts
from service.security.audit_event import events_of
from service.store.audit import Event
from service.store.contract import (
    History,
    Identified,
    Label,
    Page,
    Query,
    Store,
    Transaction,
    Version,
    VisitKey,
    Work,
)
from service.store.summaries import Seen, Summary, SummaryPage, SummaryQuery

__all__ = ["NotedStore"]

T = TypeVar("T")


class NotedStore:
    """The Store of the contract, as a caller sees it."""

    def __init__(self, store: Store, facts: Facts) -> None:
        """Note in ``facts`` what ``store`` hands out and takes in."""
        self._store = store
        self._facts = facts

    async def read(self, type_: str, id_: str) -> Version | None:
        """See the contract."""
        version = await self._store.read(type_, id_)
        self._facts.see(version)
        return version

    async def vread(self, type_: str, id_: str, version: int) -> Version | None:
        """See the contract."""
        found = await self._store.vread(type_, id_, version)
        self._facts.see(found)
        return found

    async def history(self, query: History) -> Page:
        """See the contract."""
        return _seen(self._facts, await self._store.history(query))

    async def search(self, query: Query) -> Page:
        """See the contract."""
        return _seen(self._facts, await self._store.search(query))

    async def summaries(self, query: SummaryQuery) -> SummaryPage:
        """See the contract."""
        return await self._store.summaries(query)

    async def behind(self, day: str, basis: str, count: int) -> list[str]:
        """See the contract."""
        return await self._store.behind(day, basis, count)

    async def noted(self, count: int) -> list[str]:
        """See the contract."""
        return await self._store.noted(count)

    async def seen(self, patients: Sequence[str]) -> list[Seen]:
        """See the contract."""
        return await self._store.seen(patients)

    async def labels(self, types: Sequence[str]) -> set[Label]:
        """See the contract."""
        return await self._store.labels(types)

    async def write(self, name: str, work: Work[T]) -> T:
        """See the contract; recorded with what is written."""

        async def recorded(txn: Transaction) -> T:
            # a work may be run again from its beginning: so is what is noted of it
            facts = self._facts.within()
            result = await work(_NotedTransaction(txn, facts))
            await txn.audit(events_of(facts, 200))
            return result

        result = await self._store.write(name, recorded)
        self._facts.kept = True
        return result

    async def audit(self, events: Sequence[Event]) -> None:
        """See the contract."""
        await self._store.audit(events)

    async def audited(self, query: Query) -> Page:
        """See the contract."""
        return await self._store.audited(query)

    async def changes(self, after: int = 0) -> AsyncIterator[Version]:
        """See the contract."""
        async for version in self._store.changes(after):
            self._facts.see(version)
            yield version

    async def close(self) -> None:
        """See the contract."""
        await self._store.close()


class _NotedTransaction:
    """The Transaction of the contract, as a caller sees it."""

    def __init__(self, txn: Transaction, facts: Facts) -> None:
        self._txn = txn
        self._facts = facts

    async def read(self, type_: str, id_: str) -> Version | None:
        version = await self._txn.read(type_, id_)
        self._facts.see(version)
        return version

    async def search(self, query: Query) -> Page:
        return _seen(self._facts, await self._txn.search(query))

    async def expect(self, names: Sequence[tuple[str, str]]) -> None:
        await self._txn.expect(names)

    async def find(self, type_: str, system: str, value: str) -> list[Version]:
        return await self._txn.find(type_, system, value)

    async def find_all(self, wanted: Sequence[Identified]) -> list[list[Version]]:
        return await self._txn.find_all(wanted)

    async def identified(self, system: str, value_prefix: str) -> list[Version]:
        return await self._txn.identified(system, value_prefix)

    async def referrers(self, type_: str, id_: str, limit: int) -> list[str]:
        return await self._txn.referrers(type_, id_, limit)

    async def put(
        self,
        type_: str,
        id_: str,
        content: bytes,
        keys: SearchKeys,
        *,
        method: Literal["POST", "PUT"] = "PUT",
    ) -> Version:
        version = await self._txn.put(type_, id_, content, keys, method=method)
        self._facts.write(version, keys.patient)
        return version

    async def delete(self, type_: str, id_: str) -> Version:
        version = await self._txn.delete(type_, id_)
        self._facts.write(version, "")
        return version

    async def visit(self, system: str, value: str) -> VisitKey | None:
        return await self._txn.visit(system, value)

    async def claim_visit(self, key: VisitKey) -> None:
        await self._txn.claim_visit(key)

    async def keep_summary(self, seen: Seen, summary: Summary | None) -> bool:
        return await self._txn.keep_summary(seen, summary)

    async def audit(self, events: Sequence[Event]) -> None:
        await self._txn.audit(events)


def _seen(facts: Facts, page: Page) -> Page:
    for version in page.versions:
        facts.see(version)
    return page
