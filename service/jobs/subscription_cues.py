"""Whether what was written raised an attention cue: a person's cues before it and after, as of one day."""

from dataclasses import replace
from datetime import date
from zoneinfo import ZoneInfo

from service.attainment.cues import CueLimits
from service.errors import Gone, NotFound
from service.operations.goal_attainment import compute
from service.store.contract import Page, Query, Store, Version

__all__ = ["AsWritten", "raised"]


async def raised(  # noqa: PLR0913 - what an answer rests on
    store: Store,
    patient: str,
    day: date,
    between: tuple[int, int],
    *,
    zone: ZoneInfo,
    limits: CueLimits | None,
) -> bool:
    """Whether there is a kind of cue when the second number is settled that was not there at the first."""
    before, after = [await _cues(AsWritten(store, one), patient, day, zone, limits) for one in between]
    return bool(after - before)


async def _cues(
    store: "AsWritten", patient: str, day: date, zone: ZoneInfo, limits: CueLimits | None
) -> frozenset[str]:
    try:
        answer = await compute(store, patient, day, zone=zone, limits=limits)
    except (NotFound, Gone):
        return frozenset()
    return frozenset(cue.code for cue in answer.cues)


class AsWritten:
    """What is stored without what was written after a number.

    What was deleted since is not there either, so that a cue which a deletion brings is raised by none.
    """

    def __init__(self, store: Store, until: int) -> None:
        """``store`` says who reads."""
        self._store = store
        self._until = until

    async def read(self, type_: str, id_: str) -> Version | None:
        """Answer the newest version there was."""
        return await self._then(await self._store.read(type_, id_))

    async def search(self, query: Query) -> Page:
        """Answer the matches of today as they were; a page may have fewer."""
        page = await self._store.search(query)
        then = [await self._then(one) for one in page.versions]
        return replace(page, versions=tuple(one for one in then if one is not None and not one.deleted))

    async def _then(self, version: Version | None) -> Version | None:
        while version is not None and version.sequence > self._until:
            number = version.version - 1
            version = await self._store.vread(version.type, version.id, number) if number else None
        return version
