"""A transaction as far as one caller reaches: what it reads, what it may write, and about whom.

A resource that exists is changed only by who reaches it as it stands and as it will be. Who reaches the
patients in their care may also take in a new patient and write about them in the same transaction; nobody
gets into a relation to a patient by writing it.
"""

from collections.abc import Sequence
from typing import Literal, NoReturn

from service.errors import Forbidden, NotFound
from service.fhir.search_parameters import stored_types
from service.fhir.search_values import SearchKeys
from service.security.confined_query import confined
from service.security.judge import Here, Judge
from service.security.ownership import ownership
from service.security.reach import READING, WRITING, Reach, Way
from service.security.remembered import Remembered
from service.store.audit import Event
from service.store.contract import Identified, Page, Query, Transaction, Version, VisitKey
from service.store.summaries import Seen, Summary

__all__ = ["ConfinedTransaction"]

_ANYTHING = READING + WRITING
_BEYOND = "What is written is about a patient, or of a kind, that your access does not reach."
_UNSEEN = "a resource that your access does not reach"


class ConfinedTransaction:
    """The Transaction of the contract within a reach; ``settle`` ends it."""

    def __init__(self, txn: Transaction, reach: Reach, here: Here, remembered: Remembered) -> None:
        """Nothing is read or written yet."""
        self._txn = txn
        self._reach = reach
        self._here = here
        self._judge = Judge(reach, txn, here, remembered, learns=False)
        self._taken_in: set[str] = set()
        self._awaited: set[str] = set()
        self._told: list[SearchKeys] = []
        self._wrote: set[str] = set()

    async def read(self, type_: str, id_: str) -> Version | None:
        """See the contract; for whatever the caller may do with it."""
        version = await self._txn.read(type_, id_)
        if version is None or version.deleted:
            return version if self._opens_all(_ANYTHING, type_) else None
        return version if await self._sees(version, _ANYTHING) else None

    async def vread(self, type_: str, id_: str, version: int) -> Version | None:
        """See the contract; for who may read it."""
        found = await self._txn.vread(type_, id_, version)
        if found is None or found.deleted:
            return found if self._opens_all(READING, type_) else None
        return found if await self._judge.saw(found) else None

    async def expect(self, names: Sequence[tuple[str, str]]) -> None:
        """See the contract."""
        await self._txn.expect(names)

    async def find(self, type_: str, system: str, value: str) -> list[Version]:
        """See the contract."""
        return await self._seen(await self._txn.find(type_, system, value))

    async def find_all(self, wanted: Sequence[Identified]) -> list[list[Version]]:
        """See the contract."""
        return [await self._seen(found) for found in await self._txn.find_all(wanted)]

    async def identified(self, system: str, value_prefix: str) -> list[Version]:
        """See the contract."""
        return await self._seen(await self._txn.identified(system, value_prefix))

    async def search(self, query: Query) -> Page:
        """See the contract."""
        return await self._txn.search(await confined(query, self._judge))

    async def referrers(self, type_: str, id_: str, limit: int) -> list[str]:
        """See the contract; those beyond reach count and are not named."""
        names = await self._txn.referrers(type_, id_, limit)
        found = [(name, await self.read(*name.split("/"))) for name in names]
        return [_UNSEEN if version is None else name for name, version in found]

    async def put(
        self,
        type_: str,
        id_: str,
        content: bytes,
        keys: SearchKeys,
        *,
        method: Literal["POST", "PUT"] = "PUT",
    ) -> Version:
        """See the contract; NotFound over what is beyond reach, Forbidden for what would be."""
        before = await self._txn.read(type_, id_)
        there = before is not None and not before.deleted
        if before is not None and not await self._may_replace(before):
            raise self._beyond(before)
        await self._admit("u" if there else "c", type_, id_, content, keys)
        self._wrote.add(type_)
        return await self._txn.put(type_, id_, content, keys, method=method)

    async def delete(self, type_: str, id_: str) -> Version:
        """See the contract."""
        newest = await self._txn.read(type_, id_)
        if newest is not None and not newest.deleted and not await self._sees(newest, "d"):
            raise NotFound(f"There is no {type_}/{id_[:64]} to delete.")
        self._wrote.add(type_)
        return await self._txn.delete(type_, id_)

    async def visit(self, system: str, value: str) -> VisitKey | None:
        """See the contract."""
        return await self._txn.visit(system, value)

    async def claim_visit(self, key: VisitKey) -> None:
        """See the contract."""
        await self._txn.claim_visit(key)

    async def keep_summary(self, seen: Seen, summary: Summary | None) -> NoReturn:  # noqa: ARG002
        """Not for a caller."""
        raise Forbidden("This is the service's own work; it is not done for a caller.")

    async def keep_subscriber(self, version: Version, asker: str, *, fresh: bool) -> None:
        """See the contract; what was put was admitted."""
        await self._txn.keep_subscriber(version, asker, fresh=fresh)

    async def audit(self, events: Sequence[Event]) -> None:
        """See the contract."""
        await self._txn.audit(events)

    async def settle(self) -> frozenset[str]:
        """Judge what could not be judged before all was written; answer the types of what was."""
        if self._awaited - self._taken_in:
            raise Forbidden(_BEYOND)
        for keys in self._told:
            await self._judge_provenance(keys)
        return frozenset(self._wrote)

    async def _seen(self, versions: Sequence[Version]) -> list[Version]:
        return [one for one in versions if await self._sees(one, READING)]

    async def _sees(self, version: Version, actions: str) -> bool:
        """Whether it is within reach, or about somebody who was taken in by this very transaction."""
        if version.patient and version.patient in self._taken_in | self._awaited:
            return True
        return await self._judge.sees(version, actions)

    async def _may_replace(self, before: Version) -> bool:
        if before.deleted:  # whose it was can't be told any more
            return self._opens_all("c", before.type)
        return await self._sees(before, "u")

    def _beyond(self, before: Version) -> Forbidden | NotFound:
        """What is told of a resource that can't be replaced: that it is beyond reach, to who may see it."""
        if self._reach.work:
            return Forbidden(_BEYOND)
        return NotFound(f"There is no {before.type}/{before.id[:64]}.")

    def _opens_all(self, actions: str, type_: str) -> bool:
        return any(way.open for way in self._reach.ways(actions, type_))

    async def _admit(self, action: str, type_: str, id_: str, content: bytes, keys: SearchKeys) -> None:
        """Raise Forbidden unless a way leads to what is written."""
        for way in self._reach.ways(action, type_):
            if way.open or await self._leads(way, action, type_, content, keys):
                if type_ == "Patient" and action == "c":
                    self._taken_in.add(id_)
                return
        raise Forbidden(_BEYOND)

    async def _leads(self, way: Way, action: str, type_: str, content: bytes, keys: SearchKeys) -> bool:
        if way.whose.everybody:
            return await self._judge.opens([way], type_, keys.patient, content)
        kind = ownership(type_)
        if kind in {"shared", "unnamed"}:  # for reading, unless the service itself writes it
            return way.own and await self._judge.opens([way], type_, "", content)
        if kind == "owned":
            return await self._of_theirs(way, action, type_, content, keys)
        return kind == "context" and await self._judge.opens([way], type_, "", content)

    async def _of_theirs(self, way: Way, action: str, type_: str, content: bytes, keys: SearchKeys) -> bool:
        if not self._judge.hold(way, content):
            return False
        if type_ == "Provenance":  # its targets may be written later
            self._told.append(keys)
            return True
        patient = keys.patient
        if way.whose.new and (patient in self._taken_in or await self._takes_in(action, type_, patient)):
            return True
        return bool(patient) and bool(await self._judge.in_care(way.whose, [patient]))

    async def _takes_in(self, action: str, type_: str, patient: str) -> bool:
        """Whether this is, or is about, a patient who was not on file."""
        if not patient or (type_ == "Patient" and action == "u"):
            return False
        if await self._txn.read("Patient", patient) is not None:
            return False
        self._awaited.add(patient)
        return True

    async def _judge_provenance(self, keys: SearchKeys) -> None:
        for key in keys.references:
            type_, _, id_ = key.target.partition("/")
            named = key.name == "Provenance.target" and type_ in stored_types()
            if named and await self.read(type_, id_) is None:
                raise Forbidden(_BEYOND)
