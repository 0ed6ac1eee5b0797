"""De-identified resources of everybody who permits research, as NDJSON that streams.

Two passes over the people. The first counts how many are alike in what could tell them apart, and so decides
who may leave as they are, who with an age class instead of a birth year, and who not at all (people of
invented test data are counted, never held back). The second sends them, in random order, one person in memory
at a time. Every resource is validated as it leaves; one that is not valid stays, and nothing points at it.

What the vault does not hold can't be undone: ids are drawn at random and nothing else that identifies leaves.
"""

from collections import Counter
from collections.abc import AsyncIterator, Mapping, MutableSequence
from datetime import datetime
from typing import Any, Protocol

from service import __version__
from service.deidentify.people import (
    QuasiIdentifiers,
    deidentify_person,
    in_age_class,
    quasi_identifiers,
)
from service.deidentify.pseudonyms import Pseudonyms
from service.deidentify.small_cells import Step, people_below, plan, smallest_class
from service.fhir import json
from service.fhir.validation import errors
from service.jobs.research_permission import why_left_out
from service.jobs.research_policies import load_variant
from service.jobs.research_provenance import provenance
from service.jobs.research_report import Report
from service.jobs.vault import Vault
from service.records.preliminary import belongs, preliminary_records
from service.store.contract import Query, Store
from service.store.pages import about, every

__all__ = ["TOO_FEW_ALIKE", "Random", "ResearchExport"]

TOO_FEW_ALIKE = "Too few people are alike in age, sex, place, conditions and years; this person is left out."
NO_PATIENT = "The Patient resource can't be de-identified; this person is left out."
_TELLS_APART = ("Condition", "Encounter")
_PAGE = 500

Tree = dict[str, Any]


class Random(Protocol):
    """A source of chance; ``random.SystemRandom()`` is one."""

    def getrandbits(self, k: int, /) -> int:
        """Answer ``k`` random bits."""
        ...

    def shuffle(self, x: MutableSequence[Any], /) -> None:
        """Put a list in random order."""
        ...


class ResearchExport:
    """One export: ``async for line in export`` gives its lines (bytes), then ``export.report`` is complete.

    The first line is the Provenance of the export, the last a Parameters resource with the report.
    """

    def __init__(self, store: Store, *, variant: str, now: datetime, vault: Vault, random: Random) -> None:
        """Prepare an export of ``variant`` as of ``now``, the day ages and permissions are counted from.

        Raises InvalidInput for a variant that is not offered.
        """
        self._store = store
        self._variant = load_variant(variant)
        self._day = now.date()
        self._vault = vault
        self._random = random
        self._steps: dict[QuasiIdentifiers, Step] = {}
        deidentify = self._variant.deidentify
        self.report = Report(
            policy=deidentify.name,
            policy_version=deidentify.version,
            engine_version=__version__,
            released=self._day,
            zip3_census=self._variant.zip3_census,
            smallest_class=self._variant.smallest_class,
        )

    async def __aiter__(self) -> AsyncIterator[bytes]:
        """Give the lines, each ending in a line feed."""
        people = await self._people()
        id_ = Pseudonyms({}, self._random.getrandbits).fresh()
        yield self._line(provenance(self._variant.deidentify, id_=id_, day=self._day.isoformat()))
        self._random.shuffle(people)
        for person in people:
            for resource in await self._released(person):
                self.report.resources[resource["resourceType"]] += 1
                yield self._line(resource)
        yield self._line(self.report.as_parameters())

    async def _people(self) -> list[str]:
        """First pass: ids of the people who permit research; sets what each class of them needs."""
        people: list[str] = []
        real: Counter[QuasiIdentifiers] = Counter()
        test: Counter[QuasiIdentifiers] = Counter()
        async for stored_patient in every(self._store, Query("Patient", count=_PAGE, total="none")):
            patient = json.reread(stored_patient.content)
            why = await self._why_left_out(patient["id"])
            if why:
                self.report.left_out[why] += 1
                continue
            people.append(patient["id"])
            stored = [patient, *await self._signed(patient["id"], _TELLS_APART)]
            released, _ = self._deidentify(stored, self._vault.of(patient["id"]))
            if released:
                (test if _is_test(released[0]) else real)[self._class_of(released)] += 1
        self._steps = plan(real, self.report.smallest_class, lambda group: group.in_age_class(self._day))
        self._count_classes(real, test)
        return people

    async def _released(self, person: str) -> list[Tree]:
        """Second pass: what leaves of one person, in random order; nothing if they may not leave."""
        found = await self._store.read("Patient", person)
        if found is None or found.deleted:
            return []
        why = await self._why_left_out(person)
        if why:
            self.report.left_out[why] += 1
            return []
        known = self._vault.of(person)
        types = tuple(type_ for type_ in self._variant.deidentify.types if type_ != "Patient")
        stored = [json.reread(found.content), *await self._signed(person, types)]
        released, held_back = self._deidentify(stored, known)
        why = self._protect(released) if released else NO_PATIENT
        if why:
            self.report.left_out[why] += 1
            return []
        self._vault.keep(person, known)
        self.report.held_back += held_back
        self.report.people += 1
        self.report.test_people += _is_test(released[0])
        self._random.shuffle(released)
        return released

    def _protect(self, released: list[Tree]) -> str | None:
        """Do what the person's class needs: nothing, a wider age, or answer why they may not leave."""
        patient = released[0]
        step = Step.AS_IS if _is_test(patient) else self._steps.get(self._class_of(released), Step.SUPPRESSED)
        if step is Step.SUPPRESSED:
            return TOO_FEW_ALIKE
        if step is Step.GENERALISED:
            self.report.birth_years_widened += "birthDate" in patient
            released[0] = in_age_class(patient, self._day, self._variant.age_class_url)
        return None

    def _deidentify(self, stored: list[Tree], known: dict[str, str]) -> tuple[list[Tree], Counter[str]]:
        return deidentify_person(
            stored,
            self._variant.deidentify,
            day=self._day,
            names=Pseudonyms(known, self._random.getrandbits),
            valid=lambda resource: not errors(resource),
        )

    async def _why_left_out(self, person: str) -> str | None:
        return why_left_out(await self._all_of(person, ("Consent",)), self._day)

    async def _all_of(self, person: str, types: tuple[str, ...]) -> list[Tree]:
        """Everything of these types that is about the person."""
        return [
            json.reread(version.content)
            for type_ in types
            async for version in every(self._store, about(type_, person))
        ]

    async def _signed(self, person: str, types: tuple[str, ...]) -> list[Tree]:
        """The same without what waits for a signature."""
        waiting = preliminary_records(await self._all_of(person, ("Encounter",)))
        return [one for one in await self._all_of(person, types) if not belongs(one, waiting)]

    def _class_of(self, released: list[Tree]) -> QuasiIdentifiers:
        return quasi_identifiers(released[0], released[1:])

    def _count_classes(self, real: Mapping[QuasiIdentifiers, int], test: Counter[QuasiIdentifiers]) -> None:
        classes = Counter(test)
        for group, size in real.items():
            step = self._steps[group]
            if step is not Step.SUPPRESSED:
                classes[group if step is Step.AS_IS else group.in_age_class(self._day)] += size
        wide: Counter[QuasiIdentifiers] = Counter()
        for group, size in classes.items():
            wide[group.in_age_class(self._day)] += size
        self.report.classes = len(classes)
        self.report.k = smallest_class(classes)
        self.report.k_in_age_classes = smallest_class(wide)
        self.report.people_in_small_classes = people_below(classes, self.report.smallest_class)

    @staticmethod
    def _line(resource: Tree) -> bytes:
        return json.dump(resource) + b"\n"


def _is_test(patient: Tree) -> bool:
    return any(label["code"] == "HTEST" for label in patient["meta"]["security"])
