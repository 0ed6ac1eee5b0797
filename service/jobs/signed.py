"""What of a patient's changes may leave for the record: nothing preliminary, and a signed visit whole."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from service.fhir import json
from service.fhir.json import Tree
from service.fhir.references import local_target
from service.records.identity import Names
from service.records.parts import in_error, target
from service.records.preliminary import (
    belongs,
    preliminary_records,
    record_of,
    says_preliminary,
    signature_status,
)
from service.records.stored import reference_to
from service.store.contract import Store, Version
from service.store.pages import about, every

__all__ = ["Change", "sendable"]

_PARTS = (
    *("AdverseEvent", "CarePlan", "CareTeam", "Condition", "Consent", "DiagnosticReport", "Encounter"),
    *("EpisodeOfCare", "Flag", "Goal", "MedicationAdministration", "Observation", "Procedure"),
    *("QuestionnaireResponse", "ServiceRequest"),
)
"""Types that a visit record becomes, people aside."""


@dataclass(frozen=True, slots=True)
class Change:
    """A version with what it says; for a deletion what was said before it."""

    version: Version
    tree: Tree


async def sendable(store: Store, patient: str, changes: Sequence[Change]) -> tuple[list[Change], int]:
    """Answer the changes that may be sent, and how many are kept back until a signature.

    A visit that has its signature now brings the parts it had before, as those were kept back; one that was
    amended also those that the amendment took away.
    """
    visits = await _stored(store, ("Encounter",), patient) if patient else []
    waiting = preliminary_records(one.tree for one in visits)
    signed = _newly_signed(changes, "final", "amended")
    parts = await _stored(store, _PARTS, patient) if waiting or signed else []
    kept = {reference_to(one.tree) for one in parts if belongs(one.tree, waiting)}
    free = [one for one in changes if not (says_preliminary(one.tree) or _about(one.tree, kept))]
    known = {reference_to(one.tree) for one in changes}
    amended = _newly_signed(changes, "amended")
    more = [
        one
        for one in parts
        if belongs(one.tree, signed) and (not in_error(one.tree) or belongs(one.tree, amended))
    ]
    return [*free, *(one for one in more if reference_to(one.tree) not in known)], len(changes) - len(free)


def _newly_signed(changes: Iterable[Change], *statuses: str) -> list[Names]:
    visits = (one.tree for one in changes if signature_status(one.tree) in statuses)
    return [record for one in visits if (record := record_of(one))]


def _about(tree: Tree, kept: set[str]) -> bool:
    """Whether it is kept back itself, or a Provenance that tells of something that is."""
    told = tree.get("target", ()) if tree["resourceType"] == "Provenance" else ()
    return reference_to(tree) in kept or any(local_target(target(one)) in kept for one in told)


async def _stored(store: Store, types: tuple[str, ...], patient: str) -> list[Change]:
    query = about(types[0], patient, also=types[1:])
    return [Change(version, json.reread(version.content)) async for version in every(store, query)]
