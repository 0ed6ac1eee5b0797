"""Which versions are events of a subscription: read from the log of versions, judged for who asked, numbered.

A version that somebody may not read, or that waits for a signature, is no event for them: it has no number.
"""

from collections.abc import AsyncIterator, Sequence
from zoneinfo import ZoneInfo

from service.fhir.datetimes import interval
from service.fhir.json import Tree, reread
from service.fhir.search_keys import extract
from service.fhir.subscription import Subscription
from service.fhir.topic_filters import hold
from service.jobs.subscription_cues import raised
from service.jobs.subscription_job import SubscriptionJob
from service.records.attainment_file import READS
from service.records.preliminary import belongs, preliminary_records, says_preliminary
from service.store.contract import Store, Version
from service.store.entries import Opened
from service.store.pages import about, every
from service.store.subscriptions import Happening, Written, add_events, looked_at, numbered, written

__all__ = ["number_events", "types_of"]

_UTC = ZoneInfo("UTC")


def types_of(asked: Subscription) -> tuple[str, ...]:
    """The types whose versions may be events of it."""
    return READS if asked.topic.computed else (asked.topic.type,)


async def number_events(store: Opened, one: SubscriptionJob, until: int) -> int:
    """Look at what was written up to a number, keep what is an event; answers how many there were in all.

    What a process kept that was killed before it could say how far it had come is not kept again.
    """
    number, caused = await numbered(store, one.kept.id)
    number, seen = max(number, one.kept.events), max(caused, one.kept.seen)
    while seen < until:
        found, end = await written(store, types_of(one.asked), seen, until)
        happened = [event async for event in _events(store, one, found, seen, end)]
        events = [event._replace(number=number + place) for place, event in enumerate(happened, 1)]
        if events:
            await add_events(store, one.kept.id, events)
        number += len(events)
        await looked_at(store, one.kept.id, end, number)
        seen = end
    return number


async def _events(
    store: Opened, one: SubscriptionJob, found: Sequence[Written], after: int, until: int
) -> AsyncIterator[Happening]:
    """What of some versions is an event, in their order; the numbers are given later."""
    if not all(map(one.may, types_of(one.asked))):
        return
    if one.asked.topic.computed:
        async for event in _raised(store, one, found, after, until):
            yield event
        return
    for row in found:
        if (found_one := await _event(store, one, row)) is not None:
            yield found_one


async def _event(store: Opened, one: SubscriptionJob, row: Written) -> Happening | None:
    version = await store.vread(row.type, row.id, row.version)
    if version is None or version.deleted:
        return None
    tree = reread(version.content)
    if not one.asked.topic.happened(await _before(store, row), tree):
        return None
    keys = extract(tree, zone=one.here.zone, base=one.here.base)
    if not all(hold(clause, keys, tree) for clause in one.asked.filters):
        return None
    if await one.seen.vread(row.type, row.id, row.version) is None or await _waits(store, tree, keys.patient):
        return None
    return _happening(row.sequence, version, keys.patient)


async def _before(store: Store, row: Written) -> Tree | None:
    before = await store.vread(row.type, row.id, row.version - 1) if row.version > 1 else None
    return None if before is None or before.deleted else reread(before.content)


async def _waits(store: Store, tree: Tree, patient: str) -> bool:
    """Whether it waits for a signature, itself or with the visit it belongs to."""
    if says_preliminary(tree):
        return True
    visits = (
        [reread(one.content) async for one in every(store, about("Encounter", patient))] if patient else []
    )
    return belongs(tree, preliminary_records(visits))


async def _raised(
    store: Opened, one: SubscriptionJob, found: Sequence[Written], after: int, until: int
) -> AsyncIterator[Happening]:
    """The patients for whom what was written raised a cue, by the newest version about each."""
    newest: dict[str, int] = {}
    for row in found:
        version = await store.vread(row.type, row.id, row.version)
        if version is not None and not version.deleted:
            newest[_whose(version)] = row.sequence
    newest.pop("", None)
    for patient, sequence in sorted(newest.items(), key=lambda pair: pair[1]):
        person = await one.seen.read("Patient", patient)
        if person is None or person.deleted:
            continue
        tree = reread(person.content)
        wanted = all(hold(clause, extract(tree), tree) for clause in one.asked.filters)
        if wanted and await raised(
            one.seen, patient, one.today, (after, until), zone=one.here.zone, limits=one.limits
        ):
            yield _happening(sequence, person, patient)


def _whose(version: Version) -> str:
    return version.id if version.type == "Patient" else extract(reread(version.content)).patient


def _happening(sequence: int, version: Version, patient: str) -> Happening:
    occurred = interval(version.last_updated, _UTC)[0]
    return Happening(0, sequence, version.type, version.id, version.version, patient, occurred)
