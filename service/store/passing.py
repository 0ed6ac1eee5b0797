"""A store and a transaction that hand everything on, for those that do some of it in their own way.

What decides who may do what hands nothing on by default and stands alone (``security/confined_store.py``): a
method that is new in the contract must be judged there before anybody can call it.
"""

from collections.abc import AsyncIterator, Sequence
from typing import Literal, TypeVar

from service.fhir.search_values import SearchKeys
from service.store.audit import Event
from service.store.contract import (
    History,
    Identified,
    Label,
    Page,
    Query,
    Settled,
    States,
    Store,
    Transaction,
    Version,
    VisitKey,
    Work,
)
from service.store.summaries import Seen, Summary, SummaryPage, SummaryQuery

__all__ = ["PassingStore", "PassingTransaction"]

T = TypeVar("T")


class PassingStore:
    """The Store of the contract, as another one does it."""

    def __init__(self, store: Store) -> None:
        """Hand on to ``store``."""
        self._store = store

    async def read(self, type_: str, id_: str) -> Version | None:
        """See the contract."""
        return await self._store.read(type_, id_)

    async def vread(self, type_: str, id_: str, version: int) -> Version | None:
        """See the contract."""
        return await self._store.vread(type_, id_, version)

    async def history(self, query: History) -> Page:
        """See the contract."""
        return await self._store.history(query)

    async def search(self, query: Query) -> Page:
        """See the contract."""
        return await self._store.search(query)

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
        """See the contract."""
        return await self._store.write(name, work)

    async def audit(self, events: Sequence[Event]) -> None:
        """See the contract."""
        await self._store.audit(events)

    async def audited(self, query: Query) -> Page:
        """See the contract."""
        return await self._store.audited(query)

    def changes(self, after: int = 0) -> AsyncIterator[Version]:
        """See the contract."""
        return self._store.changes(after)

    async def settled(self) -> Settled:
        """See the contract."""
        return await self._store.settled()

    async def states(self, query: States) -> list[Version]:
        """See the contract."""
        return await self._store.states(query)

    async def close(self) -> None:
        """See the contract."""
        await self._store.close()


class PassingTransaction:
    """The Transaction of the contract, as another one does it."""

    def __init__(self, txn: Transaction) -> None:
        """Hand on to ``txn``."""
        self._txn = txn

    async def read(self, type_: str, id_: str) -> Version | None:
        """See the contract."""
        return await self._txn.read(type_, id_)

    async def vread(self, type_: str, id_: str, version: int) -> Version | None:
        """See the contract."""
        return await self._txn.vread(type_, id_, version)

    async def expect(self, names: Sequence[tuple[str, str]]) -> None:
        """See the contract."""
        await self._txn.expect(names)

    async def find(self, type_: str, system: str, value: str) -> list[Version]:
        """See the contract."""
        return await self._txn.find(type_, system, value)

    async def find_all(self, wanted: Sequence[Identified]) -> list[list[Version]]:
        """See the contract."""
        return await self._txn.find_all(wanted)

    async def identified(self, system: str, value_prefix: str) -> list[Version]:
        """See the contract."""
        return await self._txn.identified(system, value_prefix)

    async def search(self, query: Query) -> Page:
        """See the contract."""
        return await self._txn.search(query)

    async def referrers(self, type_: str, id_: str, limit: int) -> list[str]:
        """See the contract."""
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
        """See the contract."""
        return await self._txn.put(type_, id_, content, keys, method=method)

    async def delete(self, type_: str, id_: str) -> Version:
        """See the contract."""
        return await self._txn.delete(type_, id_)

    async def visit(self, system: str, value: str) -> VisitKey | None:
        """See the contract."""
        return await self._txn.visit(system, value)

    async def claim_visit(self, key: VisitKey) -> None:
        """See the contract."""
        await self._txn.claim_visit(key)

    async def keep_summary(self, seen: Seen, summary: Summary | None) -> bool:
        """See the contract."""
        return await self._txn.keep_summary(seen, summary)

    async def keep_subscriber(self, version: Version, asker: str, *, fresh: bool) -> None:
        """See the contract."""
        await self._txn.keep_subscriber(version, asker, fresh=fresh)

    async def audit(self, events: Sequence[Event]) -> None:
        """See the contract."""
        await self._txn.audit(events)
