"""What a destination has still to be told of one patient: how what is here differs from what it has.

Not the changes one by one: what was kept back until a signature, or is let through by a filter that was
changed, is found like what is new, and what was never sent is neither corrected nor deleted there.
"""

from collections.abc import Iterable, Sequence

import msgspec

from service.fhir import json
from service.fhir.references import local_target, reference_texts
from service.jobs.delivery_choice import is_chosen, is_meant, types_of
from service.jobs.delivery_sender import Change, Parcel
from service.jobs.destination import Destination
from service.jobs.signed import final
from service.records.parts import in_error
from service.store import feeds
from service.store.contract import Version
from service.store.entries import Opened
from service.store.erasing import Name

__all__ = ["in_order", "parcel_for"]


async def parcel_for(store: Opened, destination: Destination, patient: str) -> Parcel:
    """Put together what a destination is to be told of a patient; the empty id: of what is nobody's."""
    if not await is_meant(store, destination.filter, patient):
        return Parcel(patient, (), {})
    rows = await feeds.owed(store, destination.name, patient, types_of(destination))
    gone = await feeds.taken_back(store, destination.name, patient)
    names = [*(Name(row[0], row[1]) for row in rows), *(Name(row[0], row[1]) for row in gone)]
    known = await feeds.delivered(store, destination.name, names)
    changes = [_change(row, known.get(Name(row[0], row[1]))) for row in rows]
    changes = [one for one in changes if one.sent or not in_error(one.tree)]
    changes = [one for one in changes if is_chosen(one.tree, destination.filter)]
    changes = await _free(store, destination, patient, changes)
    completed = await _completed(store, destination, patient, {one.name for one in changes})
    changes += await _free(store, destination, patient, completed)
    ordered = in_order(changes)
    deleted = [_deletion(one, known[Name(one[0], one[1])]) for one in gone]
    elsewhere = await _elsewhere(store, destination, ordered)
    return Parcel(patient, (*ordered, *deleted), elsewhere)


async def _free(store: Opened, destination: Destination, patient: str, changes: list[Change]) -> list[Change]:
    """What does not wait for a signature, unless that goes as well."""
    return changes if destination.filter.preliminary else await final(store, patient, changes)


class _Loose(msgspec.Struct):
    """What a sender may have noted: names of what it referred to and was not there."""

    loose: tuple[str, ...] = ()


async def _completed(
    store: Opened, destination: Destination, patient: str, changed: set[str]
) -> list[Change]:
    """What was sent without some of its references, of which some lead somewhere now."""
    found = await feeds.settled(store, destination.name, patient, noted='"loose":')
    missed = {row: msgspec.json.decode(row.there, type=_Loose).loose for row, _ in found}
    wanted = {Name(*one.split("/")) for names in missed.values() for one in names}
    known = await feeds.delivered(store, destination.name, wanted)
    there = changed | {str(name) for name, one in known.items() if not one.there.startswith('{"left_out"')}
    rows = [(row, text) for row, text in found if there.intersection(missed[row])]
    return [_change((row.type, row.id, row.version, text), row) for row, text in rows]


def _change(row: tuple[str, str, int, str], known: feeds.Delivered | None) -> Change:
    type_, id_, number, text = row
    content = text.encode()
    version = Version(0, type_, id_, number, "", "PUT", content)
    tree = json.reread(content)
    return Change(version, tree, known.version, known.there) if known else Change(version, tree)


def _deletion(row: tuple[str, str, int], known: feeds.Delivered) -> Change:
    type_, id_, number = row
    return Change(Version(0, type_, id_, number, "", "DELETE", b""), {}, known.version, known.there)


def in_order(changes: Sequence[Change]) -> list[Change]:
    """Order changes so that what is referred to comes first; in a circle, what was written first."""
    waiting = {one.name: one for one in changes}
    found: list[Change] = []

    def take(start: Change) -> None:
        stack = [(start, iter(_targets(start)))]
        waiting.pop(start.name)
        while stack:
            change, targets = stack[-1]
            further = next((one for name in targets if (one := waiting.pop(name, None))), None)
            if further:
                stack.append((further, iter(_targets(further))))
            else:
                found.append(change)
                stack.pop()

    for change in changes:
        if change.name in waiting:
            take(change)
    return found


def _targets(change: Change) -> list[str]:
    return [target for text in reference_texts(change.tree) if (target := local_target(text))]


async def _elsewhere(store: Opened, destination: Destination, changes: Iterable[Change]) -> dict[str, str]:
    inside = {one.name for one in changes}
    wanted = {target for one in changes for target in _targets(one)} - inside
    names = [Name(*target.split("/")) for target in sorted(wanted)]
    found = await feeds.delivered(store, destination.name, names)
    return {str(name): one.there for name, one in found.items()}
