"""Which versions a bulk export takes, and the lines they become (Bulk Data Access 2.0.0, query parameters).

Everything is judged by the version that leaves, never by what is stored meanwhile.
"""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from service.fhir.json import dump, reread
from service.fhir.references import local_target
from service.fhir.search_keys import extract
from service.fhir.search_parameters import compartment, is_owned
from service.fhir.search_query import Condition
from service.fhir.summary import Subset, part
from service.interactions.context import Context
from service.operations.bulk_parameters import PROVENANCE, BulkRequest, conditions
from service.store.at_hand import at_hand
from service.store.contract import Query, Store, Version
from service.store.sqlite_transaction import run_search

__all__ = ["Selection", "deletion_line"]

_FILE = re.compile(rb'("url"\s*:\s*")(Binary/)')
_BREAKS = re.compile(rb"[\r\n]+")


@dataclass(slots=True)
class Selection:
    """What of a store, as one caller sees it, leaves by a request."""

    request: BulkRequest
    context: Context
    _filters: dict[str, list[tuple[Condition, ...]]] | None = None
    _patients: frozenset[str] | None = field(default=None, init=False)

    def __post_init__(self) -> None:
        """Make a set of the patients."""
        if self.request.patients is not None:
            self._patients = frozenset(self.request.patients)

    async def taken(self, store: Store, versions: Sequence[Version]) -> list[tuple[Version, Sequence[str]]]:
        """Answer which of the versions leave, each with the ids of those it is about; none is a deletion."""
        found = [(one, (one.patient,) if one.patient else await self._about(store, one)) for one in versions]
        if self.request.level:
            found = [(one, people) for one, people in found if self._of_these(people)]
        if self.request.filters:
            kept = await self._kept(store, [one for one, _ in found])
            found = [(one, people) for one, people in found if one.sequence in kept]
        return found

    def line(self, version: Version) -> bytes:
        """The text of a version as one line; files it refers to by a relative address have the whole one."""
        text = version.content
        if self.request.elements:
            names = [name for name in self.request.elements if name.rpartition(".")[0] in {"", version.type}]
            text = part(text, Subset(names=tuple(names))) if names else text
        if b"Binary/" in text:
            text = _FILE.sub(rb"\1%s/\2" % self.context.base.encode(), text)
        return _BREAKS.sub(b" ", text) if b"\n" in text or b"\r" in text else text  # no break is in a string

    def _of_these(self, people: Sequence[str]) -> bool:
        if self._patients is None:
            return bool(people)
        return bool(people) and self._patients.issuperset(people)

    async def _about(self, store: Store, version: Version) -> Sequence[str]:
        """The ids of the patients a version is about."""
        if version.type == "Patient":
            return (version.id,)
        if not (is_owned(version.type) or version.type == "Group"):
            return ()
        keys = extract(reread(version.content), zone=self.context.zone, base=self.context.base)
        ways = {index for one in compartment("Patient").get(version.type, ()) for index in one.indexes}
        targets = {key.target for key in keys.references if key.name in ways}
        found = {target.removeprefix("Patient/") for target in targets if target.startswith("Patient/")}
        if version.type == PROVENANCE:
            found |= await _of_targets(store, targets)
        elif keys.patient:
            return (keys.patient,)
        return sorted(found)

    async def _kept(self, store: Store, versions: Sequence[Version]) -> set[int]:
        """The numbers of those that the filters of their type find, or whose type has none."""
        filters = self._filters = self._filters or await self._read(store)
        asked = [one for one in versions if one.type in filters]
        kept = {one.sequence for one in versions if one.type not in filters}
        if not asked:
            return kept
        rows = (
            (one, extract(reread(one.content), zone=self.context.zone, base=self.context.base))
            for one in asked
        )
        database = at_hand(rows)
        for type_ in {one.type for one in asked}:
            for clauses in filters[type_]:
                query = Query(type_, clauses, count=len(asked), total="none")
                kept |= {one.sequence for one in run_search(database, query).versions}
        return kept

    async def _read(self, store: Store) -> dict[str, list[tuple[Condition, ...]]]:
        found: dict[str, list[tuple[Condition, ...]]] = {}
        for type_, query in self.request.filters:
            found.setdefault(type_, []).append(await conditions(store, type_, query, self.context))
        return found


def deletion_line(versions: Iterable[Version]) -> bytes:
    """A transaction Bundle that deletes what was deleted."""
    entries = [{"request": {"method": "DELETE", "url": f"{one.type}/{one.id}"}} for one in versions]
    return dump({"resourceType": "Bundle", "type": "transaction", "entry": entries})


async def _of_targets(store: Store, targets: Iterable[str]) -> set[str]:
    """The patients whom what a Provenance tells of is about."""
    found: set[str] = set()
    for target in targets:
        type_, _, id_ = local_target(target).partition("/")
        version = await store.read(type_, id_) if is_owned(type_) and type_ != "Patient" else None
        if version is not None and version.patient:
            found.add(version.patient)
    return found
