"""Taking in a visit record: all of it in one transaction, or nothing.

The record is read, judged and authored before the writer is entered; inside, what is on file is read again,
and only if it changed meanwhile is the work done anew.
"""

from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import NoReturn

from service.errors import Conflict, Issue, IssueType, RuleViolation, Severity
from service.fhir.json import Tree, reread
from service.interactions.aside import aside
from service.interactions.context import Context, allow_everything
from service.interactions.entry import Entry, check, entries
from service.interactions.transaction import apply
from service.operations.never_signed import never_signed
from service.operations.patient_file import read_file
from service.operations.receipt import Receipt, receipt_of, reference_of
from service.operations.upload import Upload, read_upload
from service.records.authoring import author
from service.records.identity import Names, person_url
from service.records.on_file import OnFile, Seen
from service.records.parts import identifiers, is_own
from service.records.person import patient_elements
from service.records.preliminary import same_or_amended
from service.records.provenance import provenance
from service.records.revision import resolved, revise
from service.records.rules import check as check_rules
from service.records.shape import headline
from service.records.visit import Practitioner, VisitRecord
from service.settings import Settings
from service.store.contract import Store, Transaction, VisitKey
from service.store.pages import Searcher
from service.terminology.codes import codes

__all__ = ["accept"]


@dataclass(frozen=True, slots=True)
class _Prepared:
    """A record that keeps the rules, its Bundle, and the file it was judged against."""

    record: VisitRecord
    start: datetime
    names: Names
    file: OnFile
    bundle: Tree
    warnings: tuple[Issue, ...]


class _DryRun(Exception):
    """Not an error: it takes the transaction back."""

    def __init__(self, receipt: Receipt) -> None:
        self.receipt = receipt


async def accept(
    store: Store,
    upload: Upload,
    *,
    settings: Settings,
    context: Context,
    dry_run: bool = False,
) -> Receipt:
    """Take in one visit record with its sheets.

    ``context`` brings the clock and the ids; rights were checked before. A dry run does everything and takes
    it back.

    InvalidInput if the text can't be read, RuleViolation with every problem if it breaks rules, Conflict if
    another record holds the same patient and time.
    """
    free = replace(context, allow=allow_everything, warn_only=False)
    intake = await aside(_Intake, upload, settings, free, dry_run=dry_run)
    ready = await intake.prepare(store)

    async def work(txn: Transaction) -> Receipt:
        receipt = await intake.carry_out(txn, ready)
        if dry_run:
            raise _DryRun(receipt)
        return receipt

    try:
        return await store.write("visit-intake", work)
    except _DryRun as done:
        return done.receipt


class _Intake:
    """One document on its way in."""

    def __init__(self, upload: Upload, settings: Settings, context: Context, *, dry_run: bool) -> None:
        self._document = read_upload(upload, settings)
        self._head = headline(self._document, zone=settings.zone)
        self._settings = settings
        self._context = context
        self._sender = upload.sender
        self._dry_run = dry_run

    async def prepare(self, searcher: Searcher) -> _Prepared:
        """Judge the record against what is on file, and author its Bundle."""
        patient = self._head.patient
        file = await read_file(searcher, patient, self._settings) if patient else OnFile()
        return await aside(self._prepared, file)

    def _prepared(self, file: OnFile) -> _Prepared:
        now, settings = self._context.clock(), self._settings
        head = self._head
        names = Names(head.record.system, head.record.value) if head.record else Names("", "")
        start = head.start or now
        seen = Seen(file, names, start, settings.zone)
        on_file = seen.context()
        if any(visit.start == start for visit in on_file.visits):
            _refuse_time(start)
        checked = check_rules(self._document, on_file, now=now, settings=settings)
        if checked.record is None:
            raise RuleViolation(checked.issues)
        record = checked.record
        known = seen.known(record.visit.episode_start)
        bundle = author(record, known, codes(settings.snomed), settings.zone)
        check(entries(bundle, context=self._context), context=self._context)
        warnings = (*checked.warnings, *_person_differences(record, file.patient))
        return _Prepared(record, start, names, file, bundle, warnings)

    async def carry_out(self, txn: Transaction, ready: _Prepared) -> Receipt:
        """Write what differs from what is on file, all inside ``txn``."""
        file = await read_file(txn, ready.record.patient, self._settings)
        if file.stamp != ready.file.stamp:
            ready = self._prepared(file)
        own = await _own_parts(txn, ready)
        people = await _people(txn, ready) if ready.record.signature and own else {}
        bundle, notes = revise(
            ready.bundle,
            ready.file.signed,
            own,
            ready.names,
            self._settings.zone,
            never_signed=await never_signed(txn, own),
            people=people,
        )
        shown = bundle if self._dry_run else None
        requests = entries(resolved(bundle, own), context=self._context)
        applied = await apply(txn, requests, context=self._context, same=same_or_amended)
        names = {request.full_url: reference_of(one) for request, one in zip(requests, applied, strict=True)}
        await _claim(txn, ready, names)
        warnings = (*ready.warnings, *notes)
        receipt = receipt_of(ready.record.record, requests, applied, warnings=warnings, bundle=shown)
        if receipt.changed:
            await self._add_provenance(txn, ready, receipt, names)
        return receipt

    async def _add_provenance(
        self, txn: Transaction, ready: _Prepared, receipt: Receipt, names: dict[str, str]
    ) -> None:
        def named(person: Practitioner) -> str:
            one = person.identifier
            return names[person_url("Practitioner", one.system, one.value)]

        resource = provenance(
            ready.record,
            receipt.changed,
            named=named,
            sender=self._sender,
            recorded=self._context.clock(),
        )
        await apply(txn, [Entry("POST", "Provenance", 0, "", resource)], context=self._context)


async def _own_parts(txn: Transaction, ready: _Prepared) -> list[Tree]:
    """Every stored part of the record, those in error included."""
    names = ready.names
    found = [
        *await txn.find("Encounter", names.system, names.root),
        *await txn.identified(names.system, names.prefix),
    ]
    events = ready.file.resources.get("AdverseEvent", ())
    return [
        *(reread(version.content) for version in found),
        *(event for event in events if is_own(event, names)),
    ]


async def _people(txn: Transaction, ready: _Prepared) -> dict[str, str]:
    """The references of those on file whom the record names, by their fullUrl in its Bundle."""
    found = {}
    for entry in ready.bundle["entry"]:
        type_ = entry["resource"]["resourceType"]
        for system, value in identifiers(entry["resource"]) if "ifNoneExist" in entry["request"] else ():
            for version in await txn.find(type_, system, value):
                found[entry["fullUrl"]] = f"{type_}/{version.id}"
    return found


async def _claim(txn: Transaction, ready: _Prepared, names: dict[str, str]) -> None:
    """Hold the record's key: one record per patient and time, and one patient per record."""
    one = ready.record.record
    who = ready.record.patient
    patient = ready.file.patient
    id_ = patient["id"] if patient else names[person_url("Patient", who.system, who.value)].partition("/")[2]
    before = await txn.visit(one.system, one.value)
    if before is not None and before.patient != id_:
        raise Conflict(
            "This record was accepted for another patient. Mark that visit as an error and send the visit "
            "again under a new record identifier."
        )
    time = ready.start.astimezone(UTC).isoformat()
    try:
        await txn.claim_visit(VisitKey(one.system, one.value, id_, time))
    except Conflict:
        _refuse_time(ready.start)


def _refuse_time(start: datetime) -> NoReturn:
    raise Conflict(
        f"Two visits share {start.isoformat()}; correct one of them.",
        expression="VisitRecord.visit.start",
    ) from None


def _person_differences(record: VisitRecord, patient: Tree | None) -> tuple[Issue, ...]:
    """Warnings where a person block says something else than the Patient on file, which stays."""
    if record.person is None or patient is None:
        return ()
    said = patient_elements(record.person)
    different = [name for name, value in said.items() if not _holds(patient.get(name), value)]
    return tuple(
        Issue(
            f"Patient.{name} on file differs from the person given here; the Patient was not changed.",
            severity=Severity.WARNING,
            code=IssueType.INFORMATIONAL,
        )
        for name in different
    )


def _holds(stored: object, said: object) -> bool:
    """Whether what is stored contains what is said; of repeating elements one must."""
    if isinstance(said, list) and isinstance(stored, list):
        return all(any(_holds(one, wanted) for one in stored) for wanted in said)
    if isinstance(said, dict) and isinstance(stored, dict):
        return all(_holds(stored.get(name), value) for name, value in said.items())
    return stored == said
