"""Looks through the changes for one destination and notes of which patients there is something to deliver.

Only of whom: what it is, is found when it is sent, so that what changed several times meanwhile goes once, as
it is then. Any number of processes may look at the same time; what is noted twice counts once.
"""

from collections.abc import Sequence
from datetime import datetime

from service.fhir.datetimes import milliseconds
from service.jobs.delivery_choice import members
from service.jobs.destination import Destination
from service.store import feeds
from service.store.contract import Version
from service.store.entries import Opened
from service.store.erasing import Name

__all__ = ["route"]

_AT_ONCE = 500


async def route(store: Opened, destination: Destination) -> int:
    """Note what was written since the last look; answers how many changes were looked at."""
    looked, some = 0, list[Version]()
    async for version in store.changes(await feeds.read_up_to(store, destination.feed)):
        some.append(version)
        if len(some) == _AT_ONCE:
            looked += await _noted(store, destination, some)
            some = []
    return looked + await _noted(store, destination, some)


async def _noted(store: Opened, destination: Destination, versions: Sequence[Version]) -> int:
    """Note some changes; whose a deleted resource was, or one that is another's now, its receipt tells."""
    if not versions:
        return 0
    went = await feeds.whose(store, destination.name, [Name(one.type, one.id) for one in versions])
    found: dict[str, feeds.Noted] = {}
    for version in versions:
        before = went.get(Name(version.type, version.id))
        if not version.deleted:
            _add(found, version.patient, version)
        if before is not None and (version.deleted or before != version.patient):
            _add(found, before, version)
        if version.type == "Group" and version.id == destination.filter.group:
            for member in await members(store, version.id):  # whoever came in is to be told of
                _add(found, member, version)
    await feeds.note(store, destination.name, found)
    await feeds.advance(store, destination.feed, versions[-1].sequence)
    return len(versions)


def _add(found: dict[str, feeds.Noted], patient: str, version: Version) -> None:
    first = found.get(patient)
    written = first.written if first else milliseconds(datetime.fromisoformat(version.last_updated))
    found[patient] = feeds.Noted(version.sequence, written)
