"""``Encounter/[id]/$signed-changes``: what changed of a visit's record since it was signed, part by part.

An amended visit is compared with the version that was signed before; while the amendment waits for its
signature that is what the record at the other end still says.
"""

from collections.abc import AsyncIterator, Collection, Iterable, Mapping
from dataclasses import dataclass, replace

from service.errors import Forbidden
from service.fhir.json import Tree, dump, reread
from service.fhir.references import local_target
from service.fhir.search_parameters import parameters
from service.fhir.search_query import Clause, ReferenceValue
from service.interactions.context import Asker
from service.interactions.permitted import permitted
from service.interactions.read import read
from service.records.amendment import bears
from service.records.elements import Element, reference
from service.records.part_changes import ElementChange, differences, title
from service.records.parts import HAS_NO_STATUS, identifiers, in_error, is_own, target
from service.records.preliminary import amending, record_of, signature_status
from service.records.signature import AMENDED
from service.records.stored import Resource
from service.store.contract import History, Query, Store, Version
from service.store.pages import about, every

__all__ = ["PartChange", "SignedChanges", "answer_of", "signed_changes"]

_PARTS = (
    *("AdverseEvent", "CarePlan", "CareTeam", "Condition", "Consent", "DiagnosticReport"),
    *("EpisodeOfCare", "Flag", "Goal", "MedicationAdministration", "Observation", "Procedure"),
    *("QuestionnaireResponse", "ServiceRequest"),
)


@dataclass(frozen=True, slots=True)
class PartChange:
    """One part of the record that is not what was signed.

    ``reference`` is ``Type/id``, ``place`` the part's path in the record, ``what`` what it is called,
    ``kind`` added, changed or removed. ``when`` is the FHIR instant of its newest version, ``who`` the
    references of those who answer for that version, none if nothing tells. ``elements`` say before and after.
    """

    reference: str
    place: str
    what: str
    kind: str
    when: str
    who: tuple[str, ...]
    elements: tuple[ElementChange, ...]


@dataclass(frozen=True, slots=True)
class SignedChanges:
    """What a visit's record changed since ``signed``, a version (``Encounter/1/_history/2``) given ``at``.

    ``signed`` is empty if nothing was amended, or if the signed version is no longer kept.
    """

    signed: str = ""
    at: str = ""
    parts: tuple[PartChange, ...] = ()


async def signed_changes(store: Store, encounter: str, *, context: Asker) -> SignedChanges:
    """Compare an amended visit with the version that was signed before; nothing for one never amended.

    NotFound or Gone if there is no such visit. Parts of types the caller may not read are left out.
    """
    current = await read(store, "Encounter", encounter, context=context)
    visit = reread(current.content)
    names = record_of(visit)
    if names is None or not (amending(visit) or signature_status(visit) == AMENDED):
        return SignedChanges()
    signed = await _signed_before(store, visit)
    if signed is None:
        return SignedChanges()
    patient = local_target(target(visit.get("subject"))).removeprefix("Patient/")
    types = _readable((*_PARTS, "Provenance"), context)
    wanted = tuple(one for one in types if one != "Provenance")
    found = [one async for one in every(store, about(wanted[0], patient, also=wanted[1:]))] if wanted else []
    parts = [current, *(one for one in found if is_own(reread(one.content), names))]
    told = await _told(store, parts) if "Provenance" in types else {}
    of_visit = told.get(f"Encounter/{encounter}", [])
    deleted = [one async for one in _deleted(store, of_visit, wanted)]
    told = {**told, **{f"{one.type}/{one.id}": of_visit for one in deleted}}
    parts += deleted
    moment = next((one for one, _ in of_visit if one > signed.sequence), 0)
    changes = [await _change(store, one, max(moment, signed.sequence), told) for one in parts]
    version = f"Encounter/{encounter}/_history/{signed.version}"
    before = bears(reread(signed.content)) or signed.last_updated
    return SignedChanges(version, before, tuple(one for one in changes if one))


def _readable(types: Iterable[str], context: Asker) -> tuple[str, ...]:
    try:
        return permitted(types, "r", context=context)
    except Forbidden:
        return ()


async def _signed_before(store: Store, visit: Resource) -> Version | None:
    """The newest version of the visit that was signed otherwise than it is now."""
    now = None if amending(visit) else (signature_status(visit), bears(visit))
    async for version in _versions(store, "Encounter", visit["id"]):
        if version.deleted or not version.content:
            continue
        tree = reread(version.content)
        then = signature_status(tree), bears(tree)
        if then[0] != "preliminary" and then != now:
            return version
    return None


async def _versions(store: Store, type_: str, id_: str) -> AsyncIterator[Version]:
    query = History((type_,), id_)
    while True:
        page = await store.history(query)
        for version in page.versions:
            yield version
        if not page.next_after:
            return
        query = replace(query, after=page.next_after)


async def _told(store: Store, parts: Iterable[Version]) -> Mapping[str, list[tuple[int, Resource]]]:
    """The Provenances of each part, by sequence, the oldest first."""
    names = tuple(f"{one.type}/{one.id}" for one in parts)
    clause = Clause(parameters("Provenance")["target"].indexes, "reference", tuple(map(_value, names)))
    found = [one async for one in every(store, Query("Provenance", (clause,), total="none"))]
    told: dict[str, list[tuple[int, Resource]]] = {name: [] for name in names}
    for version in sorted(found, key=lambda one: one.sequence):
        tree = reread(version.content)
        for name in {local_target(target(one)) for one in tree.get("target", ())} & told.keys():
            told[name].append((version.sequence, tree))
    return told


async def _deleted(
    store: Store, told: Iterable[tuple[int, Resource]], types: Collection[str]
) -> AsyncIterator[Version]:
    """Parts that the visit's Provenances name and that were deleted, as R4 has no word for them in error."""
    named = dict.fromkeys(local_target(target(one)) for _, tree in told for one in tree.get("target", ()))
    for type_, _, id_ in (one.partition("/") for one in named):
        if type_ in types and type_ in HAS_NO_STATUS:
            version = await store.read(type_, id_)
            if version is not None and version.deleted:
                yield version


def _value(name: str) -> ReferenceValue:
    return ReferenceValue((name,))


async def _change(
    store: Store, part: Version, moment: int, told: Mapping[str, list[tuple[int, Resource]]]
) -> PartChange | None:
    """What became of a part since ``moment``, a sequence; None if nothing did."""
    if part.sequence <= moment:
        return None
    name = f"{part.type}/{part.id}"
    after = None if part.deleted else reread(part.content)
    before = await _as_of(store, part, moment)
    gone, fresh = after is None or in_error(after), before is None or in_error(before)
    elements = differences(None if fresh else before, None if gone else after)
    shown = after or before
    if not elements or shown is None:
        return None
    kind = "removed" if gone else "added" if fresh else "changed"
    first = next((tree for sequence, tree in told.get(name, ()) if sequence > part.sequence), {})
    who = dict.fromkeys(target(agent.get("who")) for agent in first.get("agent", ()))
    return PartChange(
        name, _place(shown), title(shown), kind, part.last_updated, tuple(filter(None, who)), elements
    )


async def _as_of(store: Store, part: Version, moment: int) -> Tree | None:
    """The part as it stood at a sequence; None if it was not there, or is no longer kept."""
    for number in range(part.version - 1, 0, -1):
        version = await store.vread(part.type, part.id, number)
        if version is not None and version.sequence <= moment:
            return None if version.deleted or not version.content else reread(version.content)
    return None


def _place(part: Resource) -> str:
    value = next((value for _, value in identifiers(part)), "")
    return value.partition("/")[2]


def answer_of(found: SignedChanges) -> bytes:
    """The Parameters that the operation answers."""
    told: list[Element] = []
    if found.signed:
        told.append({"name": "signed", "valueReference": reference(found.signed)})
        told.append({"name": "signedAt", "valueDateTime": found.at})
    told += map(_part, found.parts)
    return dump({"resourceType": "Parameters", **({"parameter": told} if told else {})})


def _part(one: PartChange) -> Element:
    said: list[Element] = [
        {"name": "part", "valueReference": {**reference(one.reference), "display": one.what}},
        *([{"name": "place", "valueString": one.place}] if one.place else []),
        {"name": "kind", "valueCode": one.kind},
        {"name": "when", "valueInstant": one.when},
        *({"name": "who", "valueReference": reference(who)} for who in one.who),
    ]
    return {"name": "change", "part": [*said, *map(_element, one.elements)]}


def _element(one: ElementChange) -> Element:
    values = [("path", one.path), ("before", one.before), ("after", one.after)]
    return {
        "name": "element",
        "part": [{"name": name, "valueString": value} for name, value in values if value],
    }
