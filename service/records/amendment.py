"""What an amendment changes of a signed record, and whether it bears a newer signature than the one on file.

Pure. While it is not signed, each part that it changed or added says so in the words of its type; the parts
it left alone stay as they were signed. Goals, plans, orders and consents that were there stay in force.
"""

from collections.abc import Collection, Iterable, Iterator, Mapping
from datetime import datetime

from service.errors import Issue, IssueType, Place
from service.fhir.canonical import extension as own_extension
from service.fhir.references import rewrite
from service.records.elements import Element, extension
from service.records.parts import in_error
from service.records.preliminary import (
    amending,
    same_or_amended,
    signature_parts,
    signature_status,
)
from service.records.signature import AMENDED, FINAL, PRELIMINARY
from service.records.stored import Resource, reference_to

__all__ = [
    "bears",
    "changed",
    "is_added",
    "unsigned_changes",
    "waiting",
    "with_earlier",
    "with_signature",
    "with_signature_of",
]

_URL = own_extension("visit-signature")
_MOMENTS = ("co-signed-at", "signed-at")
_EARLIER = "signed-before"


def bears(encounter: Resource) -> str:
    """When the newest signature of a visit's record was given, a FHIR dateTime; empty if it has none."""
    return next((found for name in _MOMENTS if (found := _moment(encounter, name))), "")


def with_signature_of(encounter: Resource, stored: Resource) -> Resource:
    """A visit signed as it is on file: an unsigned amendment that changes nothing takes no signature away."""
    kept = [one for one in stored.get("extension", ()) if one.get("url") == _URL]
    shown = [*_unsigned(encounter)["extension"], *kept]
    rest = {name: value for name, value in encounter.items() if name != "extension"}
    return {**rest, "extension": shown} if shown else rest


def with_earlier(encounter: Resource, stored: Resource) -> Resource:
    """An amended visit that tells when what it amends was signed; another as it is."""
    parts = signature_parts(encounter)
    names = {part["url"] for part in parts}
    if "reason" not in names or _EARLIER in names:
        return encounter
    earlier = _moment(stored, _EARLIER) if _same_signature(encounter, stored) else bears(stored)
    if not earlier:
        return encounter
    return with_signature(encounter, [*parts, {"url": _EARLIER, "valueDateTime": earlier}])


def with_signature(encounter: Resource, parts: list[Element]) -> Resource:
    """A visit whose signature has these parts and no others."""
    told = extension("visit-signature", parts)
    return {**encounter, "extension": [*_unsigned(encounter)["extension"], told]}


def _same_signature(encounter: Resource, stored: Resource) -> bool:
    """Whether both are steps of one amendment: it still waits, or came with this very signature."""
    return amending(stored) or (signature_status(stored) == AMENDED and bears(stored) == bears(encounter))


def is_added(stored: Resource | None, never_signed: Collection[str]) -> bool:
    """Whether a part of a record was never signed, so that signed it is final and not amended.

    ``stored`` is the part on file, ``never_signed`` are references of those that wait and never were.
    """
    return stored is None or in_error(stored) or reference_to(stored) in never_signed


def changed(
    authored: Mapping[str, Resource], own: Mapping[str, Resource], people: Mapping[str, str]
) -> set[str]:
    """The parts (fullUrls) by which a record differs from what is on file; how it was signed does not count.

    ``people`` are the references of those on file whom the record names by fullUrl.
    """
    kept = {url: one for url, one in own.items() if not in_error(one)}
    names = {**people, **{url: reference_to(one) for url, one in own.items()}}
    new = {
        url: rewrite(_unsigned(one), lambda address: names.get(address, address))
        for url, one in authored.items()
    }
    same = {url for url, one in kept.items() if url in new and same_or_amended(_unsigned(one), new[url])}
    return (kept.keys() | new.keys()) - same


def _unsigned(resource: Resource) -> Resource:
    if resource["resourceType"] != "Encounter":
        return resource
    return {**resource, "extension": [one for one in resource.get("extension", ()) if one.get("url") != _URL]}


def unsigned_changes(visit: Resource, stored: Resource, parts: Iterable[Resource]) -> Iterator[Issue]:
    """What is wrong with a signed record that changes ``parts`` of a signed one, ``stored`` on file."""
    if signature_status(stored) not in ("final", AMENDED) and not amending(stored):
        return
    if signature_status(visit) == "preliminary":
        if any(one["resourceType"] == "AdverseEvent" for one in parts):
            yield _problem("An adverse event is added, changed or taken away by a signed amendment alone.")
        return
    if signature_status(visit) != AMENDED:
        yield _problem(
            "A signed record is changed by an amendment: send it as 'amended', with the reason.", "state"
        )
        return
    earlier = _moment(stored, _EARLIER) if amending(stored) else bears(stored)
    if earlier and datetime.fromisoformat(bears(visit)) <= datetime.fromisoformat(earlier):
        yield _problem(
            f"What is on file was signed at {earlier}, so this signature is not one of the amendment. Sign "
            "it anew, or leave the signature out: the amendment then waits for one.",
            "signed_at",
        )


def _problem(text: str, name: str = "state") -> Issue:
    return Issue(text, code=IssueType.BUSINESS_RULE, place=Place(f"VisitRecord.signature.{name}"))


def waiting(resource: Resource, stored: Resource | None) -> Resource:
    """A part that an unsigned amendment changes or adds, as it waits; ``stored`` is what is on file of it."""
    type_ = resource["resourceType"]
    name, code = PRELIMINARY.get(type_, ("", ""))
    in_force = stored is not None and not in_error(stored) and stored.get(name) != code
    if not name or (in_force and type_ not in FINAL):
        return resource
    return {**resource, name: code}


def _moment(encounter: Resource, name: str) -> str:
    return str(next((part["valueDateTime"] for part in signature_parts(encounter, name)), ""))
