"""The store as far as one caller reaches; everything done for a request reads and writes through it.

What lies beyond is answered like what is not there, so that nobody learns of it.
"""

from collections.abc import AsyncIterator, Sequence
from dataclasses import replace
from functools import cached_property
from typing import NoReturn, TypeVar

from service.errors import Forbidden
from service.security.confined_query import confined, reached
from service.security.confined_transaction import ConfinedTransaction
from service.security.judge import Here, Judge
from service.security.reach import EVERYBODY, READING, Reach
from service.security.remembered import Remembered
from service.store.audit import AUDIT, Event
from service.store.contract import (
    History,
    Label,
    Page,
    Query,
    Settled,
    States,
    Store,
    Transaction,
    Version,
    Work,
)
from service.store.summaries import Seen, SummaryPage, SummaryQuery

__all__ = ["ConfinedStore"]

T = TypeVar("T")

_MOST_LOOKED_AT = 20
"""Pages of a history that are looked at to find one with something in it."""


class ConfinedStore:
    """The Store of the contract within a reach."""

    def __init__(self, store: Store, reach: Reach, here: Here, remembered: Remembered) -> None:
        """``store`` stays the caller's to close."""
        self._store = store
        self._reach = reach
        self._here = here
        self._remembered = remembered

    async def read(self, type_: str, id_: str) -> Version | None:
        """See the contract; a deletion is within reach if what was deleted is."""
        version = await self._store.read(type_, id_)
        if version is None or version.deleted:
            return version if version is not None and await self._old(version) else None
        return version if self._plain(version) or await self._judge.sees(version) else None

    async def vread(self, type_: str, id_: str, version: int) -> Version | None:
        """See the contract."""
        found = await self._store.vread(type_, id_, version)
        return found if found is not None and await self._old(found) else None

    async def history(self, query: History) -> Page:
        """See the contract; what is left out makes a page shorter, and then there is no total."""
        if query.id and await self.read(query.types[0], query.id) is None:
            return Page((), 0, None)
        page = Page((), None, query.after)
        kept: list[Version] = []
        for _ in range(_MOST_LOOKED_AT):
            page = await self._store.history(replace(query, after=page.next_after or ""))
            kept = [one for one in page.versions if await self._old(one)]
            if kept or page.next_after is None:
                break
        complete = len(kept) == len(page.versions)
        return replace(page, versions=tuple(kept), total=page.total if complete else None)

    async def search(self, query: Query) -> Page:
        """See the contract; of AuditEvents somebody sees all or none."""
        if query.type == AUDIT:
            return await self.audited(query)
        return await self._store.search(await confined(query, self._judge))

    async def summaries(self, query: SummaryQuery) -> SummaryPage:
        """See the contract."""
        among = await reached("Patient", self._judge)
        return await self._store.summaries(replace(query, among=(*query.among, *among)))

    async def behind(self, day: str, basis: str, count: int) -> NoReturn:  # noqa: ARG002
        """Not for a caller."""
        raise _refused()

    async def noted(self, count: int) -> NoReturn:  # noqa: ARG002
        """Not for a caller."""
        raise _refused()

    async def seen(self, patients: Sequence[str]) -> list[Seen]:  # noqa: ARG002
        """Not for a caller."""
        raise _refused()

    async def labels(self, types: Sequence[str]) -> set[Label]:
        """See the contract; Forbidden to who does not reach everything of these types."""
        if not all(way.open for type_ in types for way in self._reach.ways(READING, type_)):
            raise Forbidden("This looks at every resource there is, and your token opens some of them.")
        hidden = self._reach.hidden
        found = await self._store.labels(types)
        return {one for one in found if one.name != "security" or one.code not in hidden}

    async def write(self, name: str, work: Work[T]) -> T:
        """See the contract."""
        wrote: frozenset[str] = frozenset()

        async def confined_work(txn: Transaction) -> T:
            nonlocal wrote
            within = ConfinedTransaction(txn, self._reach, self._here, self._remembered)
            result = await work(within)
            wrote = await within.settle()
            return result

        result = await self._store.write(name, confined_work)
        self._remembered.forget(wrote)
        return result

    async def audit(self, events: Sequence[Event]) -> None:
        """See the contract."""
        await self._store.audit(events)

    async def audited(self, query: Query) -> Page:
        """See the contract; nothing for who does not reach all of it."""
        if any(way.open for way in self._reach.ways(READING, AUDIT)):
            return await self._store.audited(query)
        return Page((), 0, None)

    async def changes(self, after: int = 0) -> AsyncIterator[Version]:
        """See the contract."""
        async for version in self._store.changes(after):
            if await self._old(version):
                yield version

    async def settled(self) -> Settled:
        """See the contract; a number tells nothing of anybody."""
        return await self._store.settled()

    async def states(self, query: States) -> list[Version]:
        """See the contract; what is plainly within reach is not judged one by one."""
        found = await self._store.states(query)
        asked = self._reach.asks is not None and bool(await self._judge.withheld())
        open_ = {
            type_
            for type_ in {one.type for one in found}
            if not asked and any(way.open for way in self._reach.ways(READING, type_))
        }
        return [
            one
            for one in found
            if (one.type in open_ and not one.labelled and not one.deleted) or await self._old(one)
        ]

    async def close(self) -> None:
        """Nothing is to be closed."""

    @cached_property
    def _judge(self) -> Judge:
        """Made for what is not plain."""
        return Judge(self._reach, self._store, self._here, self._remembered)

    def _plain(self, version: Version) -> bool:
        """Whether a current version is within reach by what is known, so that nobody has to be asked.

        Nothing hides it, and everything of its type is reached, or all that is about its patient.
        """
        if version.labelled or version.restricted:
            return False
        patient = version.patient
        for whose in self._reach.plain(version.type):
            if whose is EVERYBODY:
                return True
            if whose.patient:
                if whose.patient == patient:
                    return True
            elif self._remembered.cares(whose.name, patient):
                return True
        return False

    async def _old(self, version: Version) -> bool:
        """Whether a version is within reach; a deletion if the version before it is."""
        if version.deleted and version.version > 1:
            before = await self._store.vread(version.type, version.id, version.version - 1)
            if before is not None and not before.deleted:
                return await self._judge.saw(before)
        if version.deleted:
            return any(way.open for way in self._reach.ways(READING, version.type))
        return await self._judge.saw(version)


def _refused() -> Forbidden:
    return Forbidden("This is the service's own work; it is not done for a caller.")
