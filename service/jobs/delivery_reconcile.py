"""Holds what a FHIR endpoint was sent against what it has, resource by resource; has the rest sent again.

What is there is looked for under the id that was noted, and what it says is compared, not its version alone.
What still waits is no difference, what was there before us is not ours to compare.
"""

from collections.abc import AsyncIterator, Collection
from dataclasses import dataclass, field

import msgspec

from service.fhir import json
from service.fhir.json import Tree
from service.fhir.references import local_target, reference_texts
from service.fhir.search_parameters import parameters
from service.jobs.delivery_compare import same
from service.jobs.delivery_item import There, criterion_of, there_of, wanted_of
from service.jobs.delivery_look import Looker
from service.jobs.delivery_mapping import mapped
from service.jobs.destination import Destination
from service.store import feeds
from service.store.entries import Opened
from service.store.erasing import Name

__all__ = ["Difference", "Reconciliation"]


@dataclass(frozen=True, slots=True)
class Difference:
    """One resource (``Type/id`` here, or there for ``extra``).

    ``missing``: sent, and not there. ``different``: it says something else there. ``extra``: it bears an
    identifier of a system that is ours, and is not known here.
    """

    kind: str
    name: str


@dataclass(slots=True)
class Reconciliation:
    """Compares one destination; ``compared`` counts what was looked at."""

    store: Opened
    destination: Destination
    looker: Looker
    compared: int = 0
    _stale: list[feeds.Delivered] = field(default_factory=list)

    async def differences(self, *, repair: bool) -> AsyncIterator[Difference]:
        """Answer what differs, patient by patient; ``repair``: have it sent again.

        What is extra is left to a person, as nobody knows here who put it there.
        """
        for patient in await feeds.patients(self.store, self.destination.name):
            self._stale = []
            rows = await feeds.settled(self.store, self.destination.name, patient)
            ours = [(row, text, there_of(row.there)) for row, text in rows]
            ours = [one for one in ours if one[2].id and not one[2].linked]
            found = await self.looker.look([f"{row.type}/{there.id}" for row, _, there in ours])
            missing = [row for (row, _, _), there in zip(ours, found, strict=True) if not there]
            for row in missing:
                yield Difference("missing", f"{row.type}/{row.id}")
            lost = {f"{row.type}/{row.id}" for row in missing}
            for (row, text, there), remote in zip(ours, found, strict=True):
                tree = json.reread(text.encode())
                if remote and await self._differs(tree, remote[0]):
                    yield Difference("different", f"{row.type}/{row.id}")
                    self._stale.append(_as_it_is(row, there, remote[0]))
                elif remote and lost & _targets(tree):  # what it refers to will have another id there
                    self._stale.append(_as_it_is(row, there, remote[0]))
            async for extra in self._extra(patient, [(row.type, text) for row, text in rows]):
                yield extra
            if repair and (missing or self._stale):
                names = [Name(row.type, row.id) for row in missing]
                await feeds.forget(self.store, self.destination.name, names)
                await feeds.reopen(self.store, self.destination.name, patient, self._stale)
            self.compared += len(ours)

    async def _differs(self, tree: Tree, remote: Tree) -> bool:
        said = wanted_of(mapped(tree, self.destination.mapping), await self._addresses(tree))
        return not same(said, remote, self.looker.base)

    async def _addresses(self, tree: Tree) -> dict[str, str]:
        names = [Name(*one.split("/")) for one in sorted(_targets(tree))]
        found = await feeds.delivered(self.store, self.destination.name, names)
        known = ((str(name), name.type, there_of(one.there).id) for name, one in found.items())
        return {name: f"{type_}/{id_}" for name, type_, id_ in known if id_}

    async def _extra(self, patient: str, ours: Collection[tuple[str, str]]) -> AsyncIterator[Difference]:
        """What is there about a patient, of the types that were sent, under identifiers of our systems."""
        name = Name("Patient", patient)
        known = await feeds.delivered(self.store, self.destination.name, [name] if patient else [])
        there = there_of(known[name].there).id if name in known else ""
        trees = [(one, mapped(json.reread(text.encode()), self.destination.mapping)) for one, text in ours]
        criteria = {f"{type_}?{criterion_of(tree)}" for type_, tree in trees}
        systems = {one.partition("%7C")[0] for one in criteria if "%7C" in one}
        types = sorted({type_ for type_, _ in trees if "patient" in parameters(type_)})
        for type_ in types if there else ():
            for remote in await self.looker.every(f"{type_}?patient={there}"):
                named = f"{type_}?{criterion_of(remote)}"
                if named.partition("%7C")[0] in systems and named not in criteria:
                    yield Difference("extra", f"{type_}/{remote['id']}")


def _targets(tree: Tree) -> set[str]:
    return {target for one in reference_texts(tree) if (target := local_target(one))}


def _as_it_is(row: feeds.Delivered, there: There, remote: Tree) -> feeds.Delivered:
    """What is known of a resource there, with the entity tag it has now."""
    number = remote.get("meta", {}).get("versionId", "")
    known = There(there.id, f'W/"{number}"' if number else "")
    return row._replace(there=msgspec.json.encode(known).decode())
