"""Tells a destination of a patient in HL7 v2 messages: a report each, in the order of when they were.

What the receiver has is what its receipts say, version by version, so that a correction is told as one, and a
message that has to be sent again is the same.
"""

import asyncio
from collections.abc import AsyncIterator, Iterable, Sequence
from dataclasses import dataclass, replace

import msgspec

from service.errors import DeliveryFailed, DeliveryRefused
from service.fhir.json import Tree, reread
from service.fhir.references import local_target, reference_texts
from service.hl7v2.report import Report, reports_of
from service.hl7v2.result_message import Message, Partner, result_message
from service.jobs.delivery_mapping import mapped
from service.jobs.delivery_sender import Change, Parcel, Receipt
from service.jobs.delivery_ways import Way
from service.jobs.destination import Destination
from service.store import feeds
from service.store.contract import Version
from service.store.entries import Opened
from service.store.erasing import Name
from service.store.pages import about, every

__all__ = ["MessageSender"]

_LEFT_OUT = '{"left_out":"in no message"}'
_TYPES = ("DiagnosticReport", "DocumentReference", "Encounter", "Goal", "Procedure")
"""Beside Observations, what reports are made of."""
_PEOPLE = frozenset({"Practitioner", "PractitionerRole", "Organization", "Binary"})


@dataclass(frozen=True, slots=True)
class _Known:
    """Resources as the receiver has them, and as it is to have them."""

    before: list[Tree]
    now: list[Tree]


class MessageSender:
    """Sends messages by one way; ``store`` is asked for what they tell beside the changes."""

    def __init__(self, destination: Destination, store: Opened, way: Way) -> None:
        """``way`` leads to the receiver."""
        self._destination = destination
        self._store = store
        self._way = way

    async def test(self) -> str:
        """See Sender."""
        return await self._way.test()

    async def close(self) -> None:
        """See Sender."""
        await self._way.close()

    async def send(self, parcel: Parcel) -> AsyncIterator[Sequence[Receipt]]:
        """See Sender."""
        changes = {one.name: one for one in parcel.changes}
        if parcel.patient:
            known = await self._known(parcel)
            for now, before in _pairs(self._named_there(known)):
                message = await self._message(now, before)
                if message is None:
                    continue
                await self._tell(message)
                told = [changes.pop(name) for name in _named(now, before) if name in changes]
                yield [Receipt(one) for one in told]
        yield [Receipt(one, one.there if one.sent else _LEFT_OUT, sent=False) for one in changes.values()]

    def _named_there(self, known: _Known) -> _Known:
        """With the receiver's names of systems of identifiers; local codes stay, as alternatives."""
        kept = msgspec.structs.replace(self._destination.mapping, local_codes="keep")
        before, now = ([mapped(one, kept) for one in trees] for trees in (known.before, known.now))
        return _Known(before, now)

    async def _message(self, now: Report, before: Report | None) -> Message | None:
        named = self._destination.messages
        if now.kind not in named.kinds or (now.gone and await self._is_elsewhere(now)):
            return None
        partner = Partner(
            named.sending_application,
            named.sending_facility,
            named.receiving_application,
            named.receiving_facility,
            named.character_set,
            named.enhanced,
        )
        return result_message(now, before, partner)

    async def _is_elsewhere(self, report: Report) -> bool:
        """Whether what a report stood for is another person's now: the receiver merged them by itself."""
        found = await self._store.read(report.root["resourceType"], report.root["id"])
        return found is not None and not found.deleted

    async def _tell(self, message: Message) -> None:
        answer = await self._way.tell(message)
        if answer.outcome != "taken":
            said = "; ".join((answer.code, *answer.errors))
            kind = DeliveryFailed if answer.outcome == "again" else DeliveryRefused
            raise kind(f"The receiver answered {said} (HL7 tables 0008 and 0357).", alone=True)
        if pace := self._destination.limits.per_second:
            await asyncio.sleep(1 / pace)

    async def _known(self, parcel: Parcel) -> _Known:
        """What messages are made of: the changes, and whatever else the receiver was told of."""
        stored = await self._stored(parcel.patient)
        names = [Name(one.type, one.id) for one in stored]
        gone = [Name(one.version.type, one.version.id) for one in parcel.changes if one.version.deleted]
        had = await feeds.delivered(self._store, self._destination.name, [*names, *gone])
        changes = {one.name: one for one in parcel.changes}
        known = _Known([], [])
        for version in stored:
            name = Name(version.type, version.id)
            before = await self._as_sent(version, had.get(name))
            if before is not None and not had[name].there.startswith('{"left_out"'):
                known.before.append(before)
            if (now := _tree(changes.get(str(name)), before)) is not None:
                known.now.append(now)
        for name in gone:
            if name in had and (was := await self._store.vread(name.type, name.id, had[name].version)):
                known.before.append(reread(was.content))
        await self._add_people(known)
        return known

    async def _stored(self, patient: str) -> list[Version]:
        found = [one async for one in every(self._store, about("Observation", patient, also=_TYPES))]
        person = await self._store.read("Patient", patient)
        return [*([person] if person and not person.deleted else []), *found]

    async def _as_sent(self, version: Version, had: feeds.Delivered | None) -> Tree | None:
        if had is None:
            return None
        if had.version == version.version:
            return reread(version.content)
        was = await self._store.vread(version.type, version.id, had.version)
        return reread(was.content) if was and was.content else None

    async def _add_people(self, known: _Known) -> None:
        """Whoever is named, as they are now; they are nobody's, and told with whom they saw."""
        trees = [*known.before, *known.now]
        wanted = {local_target(text) for one in trees for text in reference_texts(one)}
        wanted |= {
            content["attachment"].get("url", "") for one in trees for content in one.get("content", ())
        }
        if not any(one["resourceType"] == "Patient" for one in known.before):
            known.before.extend(one for one in known.now if one["resourceType"] == "Patient")
        for name in sorted(wanted):
            type_, _, id_ = name.partition("/")
            found = await self._store.read(type_, id_) if type_ in _PEOPLE and id_ else None
            if found and not found.deleted:
                known.before.append(reread(found.content))
                known.now.append(reread(found.content))


def _tree(change: Change | None, before: Tree | None) -> Tree | None:
    """What a resource is to be told as: its change, or what is kept back, as it was told."""
    return change.tree if change is not None else before


def _pairs(known: _Known) -> list[tuple[Report, Report | None]]:
    """Each report as it is and as it was told; one that is no longer there is wrong as a whole."""
    now, before = reports_of(known.now), reports_of(known.before)
    pairs = [(one, before.get(key)) for key, one in now.items()]
    gone = [(replace(one, gone=True, results=()), one) for key, one in before.items() if key not in now]
    return sorted([*pairs, *gone], key=lambda pair: (pair[0].when[:10], pair[0].kind, pair[0].key))


def _named(*reports: Report | None) -> Iterable[str]:
    """``Type/id`` of everything that a message told."""
    for report in reports:
        if report is not None:
            yield report.key
            yield from (f"Observation/{one.tree['id']}" for one in report.results)
