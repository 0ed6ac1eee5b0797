"""Carrying out what ADT messages say: patients follow the hospital. One transaction a message, or nothing."""

from collections.abc import Iterable, Sequence
from zoneinfo import ZoneInfo

from service.errors import Conflict, InvalidInput
from service.fhir.json import Tree, reread
from service.fhir.search_clauses import Reader, parse_clauses
from service.hl7v2.admission import Admission
from service.hl7v2.person import Identifier
from service.hl7v2.problem import Place, Problem, Refused
from service.interactions.apply import apply
from service.interactions.context import Context
from service.interactions.entry import Entry, check
from service.operations.patient_merge import Source, merge, merged_into, unmerge
from service.records.elements import reference
from service.records.identity import token
from service.records.narrative import narrative
from service.records.stored import extensions
from service.store.contract import Query, Store, Transaction, Version
from service.store.pages import every
from service.terminology.codes import codes

__all__ = ["admit"]

_UTC = ZoneInfo("UTC")
_TYPES = "http://terminology.hl7.org/CodeSystem/v2-0203"
_REASON = "http://terminology.hl7.org/CodeSystem/v3-ActReason"


async def admit(store: Store, admissions: Sequence[Admission], *, context: Context, source: Source) -> None:
    """Do what a message asks for; ``source`` is who sent it.

    Refused with what stands in the way; then nothing of it was done.
    """
    if admissions and admissions[0].event == "A37":
        await _part(store, admissions[0], context, source)
        return

    async def work(txn: Transaction) -> None:
        for number, one in enumerate(admissions, 1):
            await _Admitting(txn, context, source, number).carry_out(one)

    await store.write(f"adt {admissions[0].event}", work)


class _Admitting:
    """One thing a message asks for, inside a transaction; ``number`` is which of the message's PIDs."""

    def __init__(self, txn: Transaction, context: Context, source: Source, number: int) -> None:
        self._txn = txn
        self._context = context
        self._source = source
        self._number = number

    async def carry_out(self, one: Admission) -> None:
        """Bring the person up to date, and merge the other into them."""
        found = await self._found(one.person.identifiers, "PID", 3)
        others = await self._found(one.other, "MRG", 1) if one.other else None
        person = await self._written(_patient(one, found))
        if one.other and others is not None and others["id"] != person:
            await self._merge(person, others["id"])
        elif one.other and others is None:  # nobody here, but what comes under it later is the person's
            await self._written(_with(await self._read(person), one.other, old=True))

    async def _found(self, identifiers: Iterable[Identifier], segment: str, field: int) -> Tree | None:
        people = {one["id"]: one for identifier in identifiers for one in await self._bearing(identifier)}
        if len(people) > 1:
            place = Place(segment, self._number, field)
            raise Refused(Problem("several", place))
        return next(iter(people.values()), None)

    async def _bearing(self, one: Identifier) -> list[Tree]:
        found = await self._txn.find("Patient", one.system, one.value)
        return [await self._read(merged_into(tree) or tree["id"]) for tree in map(_tree, found)]

    async def _read(self, id_: str) -> Tree:
        found = await self._txn.read("Patient", id_)
        return reread(found.content) if found and not found.deleted else {"id": id_}

    async def _written(self, tree: Tree) -> str:
        """Write the Patient unless that changes nothing, with a Provenance; answers the id."""
        url = f"Patient/{tree['id']}" if "id" in tree else "Patient"
        entry = Entry("PUT" if "id" in tree else "POST", url, resource=tree)
        try:
            entries = check([entry], context=self._context)
        except InvalidInput as error:
            places = sorted({issue.place.expression for issue in error.issues if issue.place})
            problem = Problem("not-valid", Place("PID", self._number), [", ".join(places)])
            raise Refused(problem) from None
        (applied,) = await apply(self._txn, entries, context=self._context)
        version = applied.version
        assert version is not None  # noqa: S101 - only a deletion has none
        if applied.outcome != "unchanged":
            await self._tell(version, tree)
        return version.id

    async def _tell(self, version: Version, tree: Tree) -> None:
        labels = tree.get("meta", {}).get("security")
        resource = {
            "resourceType": "Provenance",
            **({"meta": {"security": labels}} if labels else {}),
            "text": narrative("Told by the hospital", [("By", self._source.name)]),
            "target": [reference(f"Patient/{version.id}/_history/{version.version}")],
            "recorded": self._context.clock().isoformat(),
            "activity": {"text": "Told by the hospital"},
            "agent": [{"who": {"display": self._source.name}}],
            "entity": [{"role": "source", "what": {"identifier": {"value": self._source.message}}}],
        }
        await apply(self._txn, [Entry("POST", "Provenance", resource=resource)], context=self._context)

    async def _merge(self, person: str, other: str) -> None:
        try:
            await merge(self._txn, person, other, context=self._context, source=self._source)
        except Conflict as error:
            same = "visit" in error.issues[0].message
            raise Refused(
                Problem("same-visit" if same else "merged-away", Place("MRG", self._number, 1))
            ) from None


async def _part(store: Store, one: Admission, context: Context, source: Source) -> None:
    """A37 names both, in either order."""
    for mine, theirs in ((one.person.identifiers, one.other), (one.other, one.person.identifiers)):
        for survivor in await _bearers(store, mine):
            for link in survivor.get("link", ()):
                other = link.get("other", {}).get("reference", "").removeprefix("Patient/")
                if link.get("type") == "replaces" and await _had(store, other, theirs):
                    await unmerge(store, survivor["id"], other, context=context, source=source)
                    return
    raise Refused(Problem("not-merged", Place("PID", 2, 3)))


async def _bearers(store: Store, identifiers: Sequence[Identifier]) -> list[Tree]:
    """Who bears one of the identifiers as their own, not as that of somebody merged into them."""
    asked = [("identifier", ",".join(token(one.system, one.value) for one in identifiers))]
    clauses = parse_clauses("Patient", asked, reader=Reader(_UTC, now=0)).clauses
    found = [_tree(one) async for one in every(store, Query("Patient", clauses, total="none"))]
    return [
        one for one in found if _own(one.get("identifier", ())) & {(i.system, i.value) for i in identifiers}
    ]


def _own(identifiers: Iterable[Tree]) -> set[tuple[str, str]]:
    return {(one.get("system", ""), one.get("value", "")) for one in identifiers if one.get("use") != "old"}


async def _had(store: Store, patient: str, identifiers: Iterable[Identifier]) -> bool:
    """Whether a Patient that was merged had one of the identifiers as their own."""
    found = await store.read("Patient", patient)
    tree = _tree(found) if found and not found.deleted else {}
    own = _own(one["valueIdentifier"] for one in extensions(tree, "merged-identifier"))
    return any((one.system, one.value) in own for one in identifiers)


def _tree(version: Version) -> Tree:
    return reread(version.content)


def _patient(one: Admission, found: Tree | None) -> Tree:
    """The Patient as the message says: what it leaves empty stays, what it takes away goes."""
    tree = found or _new(one)
    kept = {name: value for name, value in tree.items() if one.person.elements.get(name, value) is not None}
    said = {name: value for name, value in one.person.elements.items() if value is not None}
    return _with({**kept, **said}, one.person.identifiers)


def _new(one: Admission) -> Tree:
    label = codes().coding(_REASON, "HTEST")
    meta = {"meta": {"security": [label]}} if one.test else {}
    text = narrative("Patient", [("Identifier", one.person.identifiers[0].value)])
    return {"resourceType": "Patient", **meta, "text": text}


def _with(tree: Tree, identifiers: Sequence[Identifier], *, old: bool = False) -> Tree:
    """The Patient with these identifiers beside those it has."""
    have = {(one.get("system"), one.get("value")) for one in tree.get("identifier", ())}
    more = [_identifier(one, old=old) for one in identifiers if (one.system, one.value) not in have]
    return {**tree, "identifier": [*tree.get("identifier", ()), *more]} if more else tree


def _identifier(one: Identifier, *, old: bool) -> Tree:
    kind = {"type": {"coding": [{"system": _TYPES, "code": one.type}]}} if one.type else {}
    return {**({"use": "old"} if old else {}), **kind, "system": one.system, "value": one.value}
