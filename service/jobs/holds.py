"""Legal holds: while there is one, nothing of a person is erased or aged out."""

from collections.abc import Sequence

import msgspec

from service.errors import Conflict, NotFound
from service.jobs.erasure import erasures
from service.store.archive import Archive, Movable
from service.store.asking import Asked
from service.store.audit import Event
from service.store.entries import Entry, listed, taken_away

__all__ = ["Hold", "hold", "holds", "release"]


class Hold(msgspec.Struct, frozen=True):
    """Since when (an instant), why, and by which user of the machine."""

    at: str
    reason: str
    by: str


async def holds(source: Asked) -> dict[str, Hold]:
    """Who is held, by the Patient's id."""
    rows = await source.ask(listed("hold"))
    return {name: msgspec.json.decode(content, type=Hold) for _, name, _, content in rows}


async def hold(store: Movable, patient: str, new: Hold, events: Sequence[Event]) -> None:
    """Hold a patient, with the AuditEvents of it; Conflict if it is too late."""

    async def work(archive: Archive) -> None:
        if patient in await erasures(archive):
            raise Conflict(f"Patient/{patient} was erased; there is nothing left to hold.")
        await archive.keep_entry(Entry("hold", patient, 0, msgspec.json.encode(new).decode()))
        await archive.audit(events)

    await store.archive("hold", work)


async def release(store: Movable, patient: str, events: Sequence[Event]) -> None:
    """Release a patient; NotFound if nothing holds them."""

    async def work(archive: Archive) -> None:
        if not await archive.ask(taken_away("hold", patient)):
            raise NotFound(f"There is no hold on Patient/{patient}.")
        await archive.audit(events)

    await store.archive("release", work)
