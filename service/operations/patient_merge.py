"""Merging one Patient into another, and taking that back: what is about the one follows the other.

The survivor bears the identifiers of both, so that whatever still comes under the other's leads to the
survivor; the other stays, not active, with a link to the survivor (FHIR R4 patient.html, links). Everything
about the other is made to be about the survivor, in the same transaction, and a Provenance tells which
versions those are: by it a merge is taken back.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from service.errors import Conflict, NotFound
from service.fhir.canonical import extension
from service.fhir.json import Tree, reread
from service.fhir.references import local_target, rewrite
from service.fhir.search_parameters import parameters
from service.fhir.search_query import Clause, ReferenceValue
from service.interactions.apply import apply, keys_of
from service.interactions.context import Context
from service.interactions.entry import Entry
from service.records.elements import reference
from service.records.narrative import narrative
from service.records.parts import target
from service.records.preliminary import record_of
from service.records.stored import code_of, extensions
from service.store.contract import Query, Store, Transaction, Version, VisitKey
from service.store.pages import every

__all__ = ["Source", "merge", "merged_into", "unmerge"]

_LIFECYCLE = "http://terminology.hl7.org/CodeSystem/iso-21089-lifecycle"
_MERGED = "merged-identifier"
_MOST = 100_000
_AT_ONCE = 200
"""So many resources go into one search for what tells of them."""
_STAY = frozenset({"Patient", "Provenance", "AuditEvent"})
"""Types that go on naming the Patient they named."""


@dataclass(frozen=True, slots=True)
class Source:
    """Who asks for a merge: a name, and what is known of the message or command, for the Provenance."""

    name: str
    message: str = ""


async def merge(txn: Transaction, survivor: str, other: str, *, context: Context, source: Source) -> None:
    """Merge the Patient with the id ``other`` into ``survivor``.

    Nothing happens if that was done before. Conflict if either was merged into somebody else, or if both have
    a visit record of the same time. NotFound if either is not there.
    """
    into, gone = await _patient(txn, survivor), await _patient(txn, other)
    if merged_into(gone) == survivor:
        return
    if merged_into(gone) or merged_into(into) or survivor == other:
        raise Conflict("One of the two was merged before, or both are one; take that back first.")
    moved = await _move(txn, await txn.referrers("Patient", other, _MOST), other, survivor, context)
    told = await _put(txn, [_without_identifiers(gone, survivor), _with_identifiers(into, gone)], context)
    await _refile(txn, moved, context)
    entity = {"role": "removal", "what": reference(told[0])}
    await _tell(txn, "merge", [told[1], *moved], entity, source, into, context)


async def unmerge(store: Store, survivor: str, other: str, *, context: Context, source: Source) -> None:
    """Take back that ``other`` was merged into ``survivor``: what was moved then goes back, as it stands now.

    What was written about the survivor since stays with the survivor. Conflict if the two were not merged.
    """
    found = await store.read("Patient", other)
    gone = reread(found.content) if found and not found.deleted else {}
    if merged_into(gone) != survivor:
        raise Conflict("The two were not merged.")
    told = await _merge_of(store, other)
    if not told:
        raise Conflict("Nothing here tells any more what the merge moved.")
    number = int(target(told["entity"][0].get("what")).rpartition("/")[2])
    before = await store.vread("Patient", other, number - 1)

    async def work(txn: Transaction) -> None:
        await _part(txn, survivor, _restored(gone, before), told, context, source)

    await store.write("patient unmerge", work)


def merged_into(patient: Tree) -> str:
    """Answer the id of the Patient that this one was merged into, empty for none."""
    links = (one for one in patient.get("link", ()) if one.get("type") == "replaced-by")
    return next((local_target(target(one.get("other"))).removeprefix("Patient/") for one in links), "")


async def _patient(txn: Transaction, id_: str) -> Tree:
    found = await txn.read("Patient", id_)
    if found is None or found.deleted:
        raise NotFound(f"Patient/{id_} is not here.")
    return reread(found.content)


async def _move(
    txn: Transaction, names: Iterable[str], before: str, after: str, context: Context
) -> list[str]:
    """Make resources be about another Patient; answers their versions, visit records included."""
    trees = []
    for name in names:
        type_, _, id_ = name.partition("/")
        found = await txn.read(type_, id_) if type_ not in _STAY else None
        if found and not found.deleted:
            trees.append(_renamed(reread(found.content), before, after, context.base))
    await _claim(txn, [one for one in trees if one["resourceType"] == "Encounter"], before, after)
    return await _put(txn, trees, context)


def _renamed(tree: Tree, before: str, after: str, base: str) -> Tree:
    was = f"Patient/{before}"
    return rewrite(tree, lambda text: f"Patient/{after}" if local_target(text, base) == was else text)


async def _claim(txn: Transaction, visits: Iterable[Tree], before: str, after: str) -> None:
    """Visit records go along; two of one time would be two visits of one person at once."""
    for visit in visits:
        names = record_of(visit)
        key = await txn.visit(names.system, names.record) if names else None
        if key and key.patient == before:
            await txn.claim_visit(VisitKey(key.system, key.value, after, key.time))


async def _put(txn: Transaction, trees: Sequence[Tree], context: Context) -> list[str]:
    """Write new versions; answers ``Type/id/_history/version`` of each."""
    entries = [Entry("PUT", f"{one['resourceType']}/{one['id']}", resource=one) for one in trees]
    applied = await apply(txn, entries, context=context)
    return [_name(one.version) for one in applied if one.version]


def _name(version: Version) -> str:
    return f"{version.type}/{version.id}/_history/{version.version}"


def _without_identifiers(gone: Tree, survivor: str) -> Tree:
    """The Patient that was merged: not active, linked, its identifiers where no search looks."""
    kept = [{"url": extension(_MERGED), "valueIdentifier": one} for one in gone.get("identifier", ())]
    link = {"other": reference(f"Patient/{survivor}"), "type": "replaced-by"}
    meta = {name: value for name, value in gone.get("meta", {}).items() if name != "profile"}
    rest = {name: value for name, value in gone.items() if name != "identifier"}
    more = {"extension": [*gone.get("extension", ()), *kept], "active": False}
    return {**rest, "meta": meta, **more, "link": [*gone.get("link", ()), link]}


def _with_identifiers(into: Tree, gone: Tree) -> Tree:
    own = [_key(one) for one in into.get("identifier", ())]
    old = [{**one, "use": "old"} for one in gone.get("identifier", ()) if _key(one) not in own]
    link = {"other": reference(f"Patient/{gone['id']}"), "type": "replaces"}
    identifiers = [*into.get("identifier", ()), *old]
    return {**into, "identifier": identifiers, "link": [*into.get("link", ()), link]}


def _key(identifier: Tree) -> tuple[str, str]:
    return identifier.get("system", ""), identifier.get("value", "")


async def _refile(txn: Transaction, moved: Sequence[str], context: Context) -> None:
    """What tells of the moved resources is found with whom they are about now."""
    names = list(dict.fromkeys(local_target(one) for one in moved))
    found: dict[str, Version] = {}
    for at in range(0, len(names), _AT_ONCE):
        values = tuple(map(_value, names[at : at + _AT_ONCE]))
        clause = Clause(parameters("Provenance")["target"].indexes, "reference", values)
        query = Query("Provenance", (clause,), total="none")
        found |= {one.id: one async for one in every(txn, query)}
    for id_, one in found.items():
        await txn.put("Provenance", id_, one.content, keys_of(reread(one.content), id_, context))


def _value(name: str) -> ReferenceValue:
    return ReferenceValue((name,))


async def _tell(  # noqa: PLR0913, PLR0917 - what a Provenance tells
    txn: Transaction,
    activity: str,
    targets: Sequence[str],
    entity: Tree,
    source: Source,
    patient: Tree,
    context: Context,
) -> None:
    title = f"Patient {activity}d"
    by = [{"role": "source", "what": {"identifier": {"value": source.message}}}] if source.message else []
    labels = patient.get("meta", {}).get("security")
    kind = f"{activity.capitalize()} Record Lifecycle Event"
    resource = {
        "resourceType": "Provenance",
        **({"meta": {"security": labels}} if labels else {}),
        "text": narrative(title, [("Resources", str(len(targets))), ("By", source.name)]),
        "target": [reference(one) for one in targets],
        "recorded": context.clock().isoformat(),
        "activity": {"coding": [{"system": _LIFECYCLE, "code": activity, "display": kind}], "text": title},
        "agent": [{"who": {"display": source.name}}],
        "entity": [entity, *by],
    }
    await apply(txn, [Entry("POST", "Provenance", resource=resource)], context=context)


async def _merge_of(store: Store, other: str) -> Tree:
    """The newest Provenance of a merge of this Patient, empty if there is none."""
    clause = Clause(parameters("Provenance")["entity"].indexes, "reference", (_value(f"Patient/{other}"),))
    found = [one async for one in every(store, Query("Provenance", (clause,), total="none"))]
    trees = (reread(one.content) for one in sorted(found, key=lambda one: -one.sequence))
    return next((one for one in trees if code_of(one.get("activity"), _LIFECYCLE) == "merge"), {})


async def _part(  # noqa: PLR0913, PLR0917 - both people, and what is known of them
    txn: Transaction, survivor: str, restored: Tree, told: Tree, context: Context, source: Source
) -> None:
    other = restored["id"]
    if merged_into(await _patient(txn, survivor)):
        raise Conflict("The survivor was merged into somebody else since; take that back first.")
    moved = [local_target(target(one)) for one in told.get("target", ())]
    back = await _move(txn, moved, survivor, other, context)
    both = await _put(txn, [restored, _alone(await _patient(txn, survivor), restored)], context)
    await _refile(txn, back, context)
    entity = {"role": "source", "what": reference(both[1])}
    await _tell(txn, "unmerge", [both[0], *back], entity, source, restored, context)


def _restored(gone: Tree, before: Version | None) -> Tree:
    """The Patient as it was before the merge; where that version is no longer kept, without its claims."""
    if before is not None and before.content:
        return reread(before.content)
    kept = [one["valueIdentifier"] for one in extensions(gone, _MERGED)]
    others = [one for one in gone.get("extension", ()) if one.get("url") != extension(_MERGED)]
    links = [one for one in gone.get("link", ()) if one.get("type") != "replaced-by"]
    rest = {name: value for name, value in gone.items() if name not in {"extension", "link", "active"}}
    return {**rest, "identifier": kept, **_present(extension=others, link=links)}


def _alone(into: Tree, restored: Tree) -> Tree:
    """The survivor without what came of the other."""
    theirs = {_key(one) for one in restored.get("identifier", ())}
    own = [one for one in into.get("identifier", ()) if one.get("use") != "old" or _key(one) not in theirs]
    name = f"Patient/{restored['id']}"
    links = [one for one in into.get("link", ()) if local_target(target(one.get("other"))) != name]
    rest = {name: value for name, value in into.items() if name not in {"identifier", "link"}}
    return {**rest, **_present(identifier=own, link=links)}


def _present(**lists: list[Any]) -> Tree:
    return {name: value for name, value in lists.items() if value}
