"""What a caller is handed out of a store, and writes to it, noted for the AuditEvent of the request.

A write is recorded in its own transaction: what is stored is never without its AuditEvent, nor the other way
round. What was only read is recorded before the answer leaves.
"""

from collections.abc import AsyncIterator, Sequence
from typing import Literal, TypeVar

from service.errors import ServiceError
from service.fhir.json import Tree, reread
from service.fhir.references import local_target
from service.fhir.search_values import SearchKeys
from service.security.asked_about import asked_about
from service.security.audit import Facts
from service.security.audit_event import events_of
from service.store.contract import (
    History,
    Identified,
    Page,
    Query,
    Store,
    Transaction,
    Version,
    Work,
)
from service.store.passing import PassingStore, PassingTransaction

__all__ = ["NotedStore"]

T = TypeVar("T")
_OF_OTHERS = frozenset({"Binary", "Group"})
"""Types whose resources name by themselves nobody whom they are about: that is somewhere else, or several."""


class NotedStore(PassingStore):
    """The Store of the contract, as a caller sees it."""

    def __init__(self, store: Store, facts: Facts) -> None:
        """Note in ``facts`` what ``store`` hands out and takes in."""
        super().__init__(store)
        self._facts = facts

    async def read(self, type_: str, id_: str) -> Version | None:
        """See the contract; somebody who is not found is asked about too."""
        version = await self._store.read(type_, id_)
        if version is None:
            self._facts.ask_for_patient(type_, id_)
            return None
        self._facts.see(version)
        if type_ in _OF_OTHERS:
            await _see_others(self._facts, self._store, version)
        return version

    async def vread(self, type_: str, id_: str, version: int) -> Version | None:
        """See the contract."""
        found = await self._store.vread(type_, id_, version)
        self._facts.see(found)
        if found is not None and type_ in _OF_OTHERS:
            await _see_others(self._facts, self._store, found)
        return found

    async def history(self, query: History) -> Page:
        """See the contract."""
        return await _seen(self._facts, self._store, await self._store.history(query))

    async def search(self, query: Query) -> Page:
        """See the contract; who is named in it is asked about, also where a number alone is told."""
        self._facts.patients.update(asked_about(query))
        return await _seen(self._facts, self._store, await self._store.search(query))

    async def write(self, name: str, work: Work[T]) -> T:
        """See the contract; recorded with what is written."""
        facts = self._facts

        async def recorded(txn: Transaction) -> T:
            nonlocal facts
            # a work may be run again from its beginning: so is what is noted of it
            facts = self._facts.within()
            result = await work(_NotedTransaction(txn, facts))
            await txn.audit(events_of(facts, 200))
            return result

        try:
            result = await self._store.write(name, recorded)
        except ServiceError:  # that it was refused, and why, tells of whom it looked at
            self._facts.patients.update(facts.patients)
            raise
        self._facts.kept = True
        return result

    async def changes(self, after: int = 0) -> AsyncIterator[Version]:
        """See the contract."""
        async for version in self._store.changes(after):
            self._facts.see(version)
            yield version


class _NotedTransaction(PassingTransaction):
    """The Transaction of the contract, as a caller sees it."""

    def __init__(self, txn: Transaction, facts: Facts) -> None:
        super().__init__(txn)
        self._facts = facts

    async def read(self, type_: str, id_: str) -> Version | None:
        version = await self._txn.read(type_, id_)
        if version is None:
            self._facts.ask_for_patient(type_, id_)
            return None
        self._facts.see(version)
        if type_ in _OF_OTHERS:
            await _see_others(self._facts, self._txn, version)
        return version

    async def find_all(self, wanted: Sequence[Identified]) -> list[list[Version]]:
        found = await self._txn.find_all(wanted)
        for versions in found:
            for version in versions:
                self._facts.see(version)
        return found

    async def search(self, query: Query) -> Page:
        self._facts.patients.update(asked_about(query))
        return await _seen(self._facts, self._txn, await self._txn.search(query))

    async def put(
        self,
        type_: str,
        id_: str,
        content: bytes,
        keys: SearchKeys,
        *,
        method: Literal["POST", "PUT"] = "PUT",
    ) -> Version:
        if keys.patient:  # a refusal is about them too
            self._facts.patients[keys.patient] = None
        version = await self._txn.put(type_, id_, content, keys, method=method)
        self._facts.write(version, keys.patient)
        return version

    async def delete(self, type_: str, id_: str) -> Version:
        version = await self._txn.delete(type_, id_)
        self._facts.write(version, "")
        return version


async def _seen(facts: Facts, source: Store | Transaction, page: Page) -> Page:
    for version in page.versions:
        facts.see(version)
        if version.type in _OF_OTHERS:
            await _see_others(facts, source, version)
    return page


async def _see_others(facts: Facts, source: Store | Transaction, version: Version) -> None:
    """Note the members of a Group, and whom the security context of a file is about."""
    if version.deleted:
        return
    tree = reread(version.content)
    for member in tree.get("member", ()):
        facts.ask_for_patient(*_named(member.get("entity", {})))
    type_, id_ = _named(tree.get("securityContext", {}))
    if id_ and type_ != "Binary":
        facts.ask_for_patient(type_, id_)
        facts.see(await source.read(type_, id_))


def _named(reference: Tree) -> tuple[str, str]:
    # below whichever base: one too many is told rather than nobody
    address = str(reference.get("reference", "")).rpartition("/fhir/")[2]
    type_, _, id_ = local_target(address).partition("/")
    return type_, id_
