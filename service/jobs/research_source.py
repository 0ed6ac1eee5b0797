"""The one way by which research reads what is stored: whose Consents permit it, and what is signed.

Labels are the policy's (``withheld_labels``): what bears one is offered here and held back there, so that it
is counted and nothing points at it.
"""

from collections.abc import AsyncIterator
from datetime import date

from service.fhir import json
from service.jobs.research_permission import why_left_out
from service.records.preliminary import belongs, preliminary_records
from service.store.contract import Query, Store
from service.store.pages import about, every

__all__ = ["ResearchSource"]

_PAGE = 500


class ResearchSource:
    """What is stored of the people who permit research on one day."""

    def __init__(self, store: Store, day: date) -> None:
        """``day`` is the one on which the permission has to be in force."""
        self._store = store
        self._day = day

    async def people(self) -> AsyncIterator[tuple[str, str | None]]:
        """Give the id of everybody, and why they are left out (None: they are not)."""
        async for patient in every(self._store, Query("Patient", count=_PAGE, total="none")):
            yield patient.id, await self.why_left_out(patient.id)

    async def why_left_out(self, person: str) -> str | None:
        """Answer why nothing of a person may leave now, in a sentence; None if it may."""
        consents = await self._texts(about("Consent", person))
        return why_left_out(map(json.reread, consents), self._day)

    async def of(self, person: str, types: tuple[str, ...], *queries: Query) -> list[bytes]:
        """Text of the Patient, then of what is signed of these types and of what ``queries`` find.

        Nothing if the Patient was deleted.
        """
        found = await self._store.read("Patient", person)
        if found is None or found.deleted:
            return []
        asked = [about(type_, person) for type_ in types if type_ != "Patient"]
        texts = [text for query in (*asked, *queries) for text in await self._texts(query)]
        visits = await self._texts(about("Encounter", person))
        waiting = preliminary_records(map(json.reread, visits))
        if waiting:
            texts = [text for text in texts if not belongs(json.reread(text), waiting)]
        return [found.content, *texts]

    async def _texts(self, query: Query) -> list[bytes]:
        return [version.content async for version in every(self._store, query)]
