"""Stored visits that wait for a signature: what is theirs counts nowhere else and is sent nowhere.

Pure. ``signature.py`` writes what is read here.
"""

from collections.abc import Iterable, Mapping, Sequence

from service.records.identity import Names, decoded
from service.records.parts import identifiers, is_own
from service.records.sameness import same_content
from service.records.signature import AMENDED, FINAL
from service.records.stored import NOT_FINAL, Resource, extensions

__all__ = [
    "amending",
    "belongs",
    "preliminary_records",
    "record_of",
    "same_or_amended",
    "says_preliminary",
    "signature_parts",
    "signature_status",
    "without_preliminary",
]

_NOT_FINAL: Mapping[str, tuple[str, frozenset[str]]] = {
    "CarePlan": ("status", frozenset({"draft"})),
    "Composition": ("status", frozenset({"preliminary"})),
    "Consent": ("status", frozenset({"draft", "proposed"})),
    "DiagnosticReport": ("status", frozenset({"registered", "partial", "preliminary"})),
    "DocumentReference": ("docStatus", frozenset({"preliminary"})),
    "Observation": ("status", NOT_FINAL),
    "QuestionnaireResponse": ("status", frozenset({"in-progress"})),
    "ServiceRequest": ("status", frozenset({"draft"})),
}


def signature_status(encounter: Resource) -> str:
    """How a visit's record was signed: preliminary, final, amended; empty if it did not say."""
    return str(next((part.get("valueCode", "") for part in signature_parts(encounter, "status")), ""))


def amending(encounter: Resource) -> bool:
    """Whether a visit's record was signed, then amended, and waits for a signature again."""
    return signature_status(encounter) == "preliminary" and bool(signature_parts(encounter, "reason"))


def signature_parts(encounter: Resource, *names: str) -> list[Resource]:
    """The parts of a visit's signature, those of these names if any are given."""
    found = (part for one in extensions(encounter, "visit-signature") for part in one.get("extension", ()))
    return [part for part in found if not names or part.get("url") in names]


def record_of(encounter: Resource) -> Names | None:
    """The record a visit was made from; None if from none."""
    found = ((system, value) for system, value in identifiers(encounter) if system and value)
    return next((Names(system, decoded(value)) for system, value in found), None)


def preliminary_records(encounters: Iterable[Resource]) -> tuple[Names, ...]:
    """The records among visits that wait for a signature."""
    waiting = (one for one in encounters if signature_status(one) == "preliminary")
    return tuple(record for one in waiting if (record := record_of(one)))


def belongs(resource: Resource, records: Iterable[Names]) -> bool:
    """Whether a resource was made from one of these records."""
    return any(is_own(resource, names) for names in records)


def says_preliminary(resource: Resource) -> bool:
    """Whether a resource says of itself that it is not final, whoever wrote it."""
    name, codes = _NOT_FINAL.get(resource["resourceType"], ("", frozenset()))
    return resource.get(name) in codes


def without_preliminary(resources: Mapping[str, Sequence[Resource]]) -> dict[str, list[Resource]]:
    """What is on file of a person, by type, without all that waits for a signature."""
    waiting = preliminary_records(resources.get("Encounter", ()))
    return {type_: [one for one in all_ if not belongs(one, waiting)] for type_, all_ in resources.items()}


def same_or_amended(stored: Resource, new: Resource) -> bool:
    """Whether a part of a record says what is stored; that it was amended does not count by itself."""
    if new.get("status") == AMENDED and stored.get("status") == FINAL.get(new["resourceType"]):
        return same_content({**stored, "status": AMENDED}, new)
    return same_content(stored, new)
