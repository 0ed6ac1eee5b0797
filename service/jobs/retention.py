"""Taking away what has been kept long enough: people, deleted resources, old versions, AuditEvents.

Each person, and each few hundred versions, is a transaction of its own: whoever is killed in between has done
what is done, and the next run goes on with the rest. Nothing of anybody who is held goes, and of the audit
trail nothing from the first event about them on.
"""

from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Protocol
from zoneinfo import ZoneInfo

from service.fhir.datetimes import interval, milliseconds
from service.fhir.json import reread
from service.fhir.search_query import Clause, ReferenceValue, Sort
from service.jobs.erasure import held
from service.operations.erasure_rules import addresses
from service.operations.retention_periods import DAY_MS, Periods, is_due
from service.store.ageing import Old, deleted_before, superseded_before, untouched_since
from service.store.archive import Archive, Movable
from service.store.asking import Asked
from service.store.audit import Event
from service.store.contract import Query, Version
from service.store.erasing import Name, cut, versions
from service.store.pages import about, every

__all__ = ["Ageing", "Counts", "EraseSome"]

_ENTITY, _DATE = ("AuditEvent.entity",), ("AuditEvent.date",)
Some = Callable[[Asked, int, int, int | None], Awaitable[list[Old]]]
EraseSome = Callable[[Sequence[str]], Awaitable[int]]
"""Erases some people one after the other, with everything that belongs to it; answers how many.

It may end between any two; whoever was put under a hold meanwhile stays.
"""


class Tell(Protocol):
    """Makes the AuditEvents of taking away versions of these resources."""

    def __call__(self, names: Sequence[str]) -> list[Event]:
        """Answer them."""
        ...


@dataclass(slots=True)
class Counts:
    """What was taken away: people, versions of deleted resources, versions that were replaced, AuditEvents.

    ``held`` are people and versions that were due but stay because of a hold.
    """

    people: int = 0
    deleted: int = 0
    superseded: int = 0
    audited: int = 0
    held: int = 0


@dataclass(slots=True)
class Ageing:
    """One run over a store as of ``now`` in the site's zone.

    ``rehearsed``: it only counts. ``told`` is called with how much was done after every step.
    """

    store: Movable
    periods: Periods
    now: datetime
    zone: ZoneInfo
    tell: Tell
    rehearsed: bool
    told: Callable[[int], object]

    async def run(self, erase: EraseSome) -> Counts:
        """Take away all that is due; ``erase`` does it for people."""
        counts = Counts()
        await self._people(counts, erase)
        counts.deleted = await self._versions(deleted_before, self.periods.deleted, counts)
        counts.superseded = await self._versions(superseded_before, self.periods.superseded, counts)
        if self.periods.audit:
            counts.audited = await self._audited(await self._trail_until())
        return counts

    def _before(self, days: int) -> int:
        return milliseconds(self.now) - days * DAY_MS

    async def _trail_until(self) -> int:
        """Up to when AuditEvents may go: they go from the beginning, so not behind one about who is held."""
        until = self._before(self.periods.audit)
        for patient in sorted(await held(self.store)):
            about_them = Clause(_ENTITY, "reference", (ReferenceValue((f"Patient/{patient}",)),))
            first = Query("AuditEvent", (about_them,), (Sort(_DATE, "date"),), count=1, total="none")
            for event in (await self.store.audited(first)).versions:
                until = min(until, interval(event.last_updated, self.zone)[0])
        return until

    async def _audited(self, until: int) -> int:
        """Take away the oldest AuditEvents; answers how many."""
        if self.rehearsed:
            return len([None async for _ in self.store.trail(until)])
        done = 0
        while taken := await self.store.take_away(until):
            done += taken
            self.told(taken)
        if done:
            await self.store.audit(self.tell([]))
        return done

    async def _people(self, counts: Counts, erase: EraseSome) -> None:
        after = ""
        while self.periods.person and (
            some := await untouched_since(self.store, self._before(self.periods.person), after)
        ):
            holds = await held(self.store)
            due = [one for one in some if await self._is_due(one)]
            free = [one for one in due if one not in holds]
            gone = await erase(free) if free and not self.rehearsed else len(free)
            counts.people += gone
            counts.held += len(due) - gone
            self.told(gone)
            after = some[-1]

    async def _is_due(self, patient: str) -> bool:
        """Whether a person of whom nothing was written for long was not seen since either."""
        found = await self.store.read("Patient", patient)
        if found is None or found.deleted:
            return False
        seen = [interval(found.last_updated, self.zone)[0]]
        async for visit in every(self.store, about("Encounter", patient)):
            period = reread(visit.content).get("period", {})
            if when := period.get("end") or period.get("start"):
                seen.append(interval(when, self.zone)[0])
        last = datetime.fromtimestamp(max(seen) / 1000, self.zone).date()
        today = self.now.astimezone(self.zone).date()
        return is_due(last, reread(found.content).get("birthDate", ""), today, self.periods)

    async def _versions(self, some_of: Some, days: int, counts: Counts) -> int:
        """Take away versions of some resources after the other; answers how many."""
        done, after = 0, 0
        while days and (some := await some_of(self.store, self._before(days), after, None)):
            last = some[-1].place
            taken, kept = await self._taken(some_of, days, after, last, some)
            done += taken
            counts.held += kept
            after = last
            self.told(taken)
        return done

    async def _taken(
        self, some_of: Some, days: int, after: int, last: int, some: Sequence[Old]
    ) -> tuple[int, int]:
        """How many of these versions were taken away, and how many stay for a hold."""
        if self.rehearsed:
            return await self._unheld(self.store, some, [])

        async def work(archive: Archive) -> tuple[int, int]:
            free: list[Old] = []
            # asked again here: what was deleted may be in force again
            still = await some_of(archive, self._before(days), after, last)
            counted = await self._unheld(archive, still, free)
            for old in free:
                await cut(archive, old.name, old.numbers)
            if free:
                await archive.audit(self.tell([str(old.name) for old in free]))
            return counted

        return await self.store.archive("age out", work)

    async def _unheld(self, source: Asked, some: Sequence[Old], free: list[Old]) -> tuple[int, int]:
        """Count versions that may go and those that may not; what may go is added to ``free``."""
        people = {f"Patient/{one}" for one in await held(source)}
        known = await versions(source, list(dict.fromkeys(old.name for old in some))) if people else {}
        kept = 0
        for old in some:
            if await self._is_about(source, known.get(old.name, []), people):
                kept += len(old.numbers)
            else:
                free.append(old)
        return sum(len(old.numbers) for old in free), kept

    async def _is_about(self, source: Asked, known: Sequence[Version], people: set[str]) -> bool:
        """Whether a resource names any of these people, or what it refers to does (a Provenance)."""
        named = {f"{one.type}/{one.id}" for one in known[:1]}
        for one in known:
            if one.content:
                named |= addresses(reread(one.content))
        if named & people or not any(one.type == "Provenance" for one in known):
            return bool(named & people)
        targets = await versions(source, [Name(*one.split("/")) for one in sorted(named)])
        contents = [one.content for kept in targets.values() for one in kept if one.content]
        return any(addresses(reread(content)) & people for content in contents)
