"""Erasing a person: everything about them alone, in every version, in one transaction (GDPR article 17).

What becomes of what is planned by ``erasure_plan.py``, by the rules of ``mappings/policies/retention.json``.
The Patient's id stays as that of something deleted (FHIR R4 http.html#read: 410), everything else is
answered as if it had never been: ids of what was known of an erased person serve nobody.
"""

from collections import Counter
from collections.abc import AsyncIterator, Collection, Mapping, Sequence

import msgspec

from service.errors import Conflict, NotFound
from service.fhir.json import dump_headed
from service.fhir.search_values import SearchKeys
from service.jobs.erasure_plan import Found, Plan, Telling, found_of, look, look_for_all, plan
from service.operations.erasure_rules import without
from service.operations.patient_merge import merged_into
from service.store.archive import Archive, Kept, Movable
from service.store.asking import Asked
from service.store.audit import Event
from service.store.contract import Version
from service.store.entries import Entry, listed
from service.store.erasing import Name, cut, drop, forget_person, last_sequence
from service.store.feeds import receivers
from service.store.moving import KeysOf

__all__ = ["Erased", "Eraser", "Erasure", "erasures", "held"]


class Erasure(msgspec.Struct, frozen=True, rename="camel"):
    """What is kept of an erasure, beside the Patient's id: nothing of what was known about them.

    ``at`` is an instant; ``asked_by`` says who wanted it, by kind; ``by`` is the machine's user.
    ``delivered`` are the addresses of those who received something of the person before.
    """

    at: str
    reason: str
    asked_by: str
    by: str
    resources: int = 0
    versions: int = 0
    delivered: tuple[str, ...] = ()


class Erased(msgspec.Struct, frozen=True):
    """What was erased: resources by type, versions, visit keys; ``first`` is the lowest version's number.

    ``loses`` are those that stay for others without the person, ``past`` those of which older versions went,
    ``to_read`` those whose words still hold the person's id, or a Binary that others may need.
    """

    resources: dict[str, int]
    versions: int
    visits: int
    first: int
    loses: list[str]
    past: list[str]
    to_read: list[str]


class _Rehearsed(Exception):
    """Taken back on purpose, with what it would have done."""

    def __init__(self, erased: Erased) -> None:
        super().__init__()
        self.erased = erased


async def held(source: Asked) -> set[str]:
    """The patients of whom nothing may be taken away."""
    return {row[1] for row in await source.ask(listed("hold"))}


async def erasures(source: Asked) -> dict[str, Erasure]:
    """Who was erased, by the Patient's id."""
    rows = await source.ask(listed("erasure"))
    return {name: msgspec.json.decode(content, type=Erasure) for _, name, _, content in rows}


class Eraser:
    """Erases people from one store."""

    def __init__(self, keys_of: KeysOf, base: str) -> None:
        """``keys_of`` says what versions are found by, ``base`` the service's FHIR base, if known."""
        self._keys_of, self._base = keys_of, base

    async def look(self, source: Asked, patient: str, told: Telling) -> Found:
        """Look through all there is for a person, while others write."""
        return await look(source, patient, self._keys_of, self._base, told)

    async def look_for_all(self, source: Asked, people: Collection[str]) -> AsyncIterator[Found]:
        """Look once through all there is for several people, while others write; one after the other."""
        until = await last_sequence(source)
        names, mentions = await look_for_all(source, people, until)
        for one in people:
            yield await found_of(
                source, one, names[one], until, self._keys_of, self._base, _nothing, mentions
            )

    async def rehearse(self, store: Movable, found: Found) -> Erased:
        """Do the same in a transaction that is never committed: it can't say other than the erasing would."""

        async def work(archive: Archive) -> Erased:
            raise _Rehearsed(await self._erased(archive, found))

        try:
            return await store.archive("rehearse", work)
        except _Rehearsed as rehearsed:
            return rehearsed.erased

    async def erase(
        self,
        store: Movable,
        found: Found,
        erasure: Erasure,
        events: Sequence[Event],
        addresses: Mapping[str, str],
    ) -> Erased:
        """Erase a person, all or nothing, with the AuditEvents of it.

        ``addresses`` are those of destinations, by name: which of them received something is kept. Conflict
        if there is a hold on the person, NotFound if nothing is known of them. Who was erased before is not
        again.
        """

        async def work(archive: Archive) -> Erased:
            patient = found.patient
            if patient in await held(archive):
                raise Conflict(f"There is a hold on Patient/{patient}; it is erased when that is released.")
            received = await receivers(archive, patient)
            erased = await self._erased(archive, found)
            if erased.versions:
                counted = msgspec.structs.replace(
                    erasure,
                    resources=sum(erased.resources.values()),
                    versions=erased.versions,
                    delivered=tuple(addresses.get(one, one) for one in received),
                )
                await archive.keep_entry(_entry(patient, counted))
                await archive.audit(events)
            return erased

        return await store.archive("erase", work)

    async def again(self, archive: Archive, known: dict[str, Erasure]) -> int:
        """Erase again whom an older backup brought back; answers how many they were."""
        back = 0
        for patient, erasure in known.items():
            await archive.keep_entry(_entry(patient, erasure))
            found = await self.look(archive, patient, _nothing)
            back += bool((await self._erased(archive, found, alone=False)).versions)
        return back

    async def _erased(self, archive: Archive, found: Found, *, alone: bool = True) -> Erased:
        """``alone``: Conflict if others, who are not being erased as well, were merged into the person."""
        patient = found.patient
        planned = await plan(archive, found, self._keys_of, self._base)
        if alone and (merged := _merged_into(planned)):
            raise Conflict(
                f"{merged} was merged into Patient/{patient}: it is of the same person, erase it first."
            )
        if not planned.count:
            if patient not in await erasures(archive):
                raise NotFound(f"Nothing is known here of Patient/{patient}.")
            return _told(planned, visits=0)
        for name in planned.loses:
            await self._lose(archive, name, planned)
        person = Name("Patient", patient)
        for name, kept in planned.goes.items():
            if name != person and not kept[-1].deleted:
                await archive.delete(*name)
        # The last of all that is written, so that its number stays the highest there ever was.
        grave = await archive.entomb(*person)
        await drop(archive, sorted({person, *planned.goes}))
        await archive.keep(Kept(grave, newest=True), SearchKeys())
        for name, numbers in (planned.loses | planned.past).items():
            await cut(archive, name, numbers)
        visits = await forget_person(archive, patient)
        return _told(planned, visits)

    async def _lose(self, archive: Archive, name: Name, planned: Plan) -> None:
        newest = planned.seen[name][-1]
        content = dump_headed(without(newest.tree, planned.gone, self._base))
        version = Version(0, *name, newest.number, "", "PUT", content)
        await archive.put(*name, content, self._keys_of(version))


def _merged_into(planned: Plan) -> str:
    """A Patient whose record goes on in that of the person; empty if there is none."""
    known = ((name, seen[-1].tree) for name, seen in sorted(planned.seen.items()) if seen)
    return next((str(name) for name, tree in known if merged_into(tree) == planned.patient), "")


def _told(planned: Plan, visits: int) -> Erased:
    kept = [one for some in planned.goes.values() for one in some]
    still = [
        str(name)
        for name in planned.loses
        if planned.patient in str(without(planned.seen[name][-1].tree, planned.gone))
    ]
    return Erased(
        dict(sorted(Counter(name.type for name in planned.goes).items())),
        planned.count,
        visits,
        min((one.sequence for one in kept), default=0),
        sorted(map(str, planned.loses)),
        sorted(map(str, planned.past)),
        sorted([*still, *map(str, planned.loose - planned.goes.keys())]),
    )


def _entry(patient: str, erasure: Erasure) -> Entry:
    return Entry("erasure", patient, 0, msgspec.json.encode(erasure).decode())


def _nothing(_done: int, _all: int) -> None:
    """Nobody is told."""
