"""Reading everything a search finds, page by page."""

from collections.abc import AsyncIterator, Iterable
from dataclasses import replace
from typing import Protocol

from service.fhir.search_parameters import parameters, patient_parameter
from service.fhir.search_query import Clause, Condition, ReferenceValue, TokenValue
from service.records.views import T, views
from service.store.contract import Page, Query, Version

__all__ = ["Searcher", "about", "every", "observations", "viewed"]

_PAGE = 2_000


class Searcher(Protocol):
    """A store, or a transaction of it."""

    async def search(self, query: Query) -> Page:
        """Answer one page."""
        ...


def about(type_: str, patient_id: str, *more: Condition, also: tuple[str, ...] = ()) -> Query:
    """The search for everything of a type that is about one patient; the type has to say whose it is.

    ``also`` names further types, whatever of them is the patient's.
    """
    ways = [own.indexes for one in (type_, *also) if (own := patient_parameter(one))]
    indexes = tuple(dict.fromkeys(index for way in ways for index in way))
    whose = Clause(indexes, "reference", (ReferenceValue((f"Patient/{patient_id}",)),))
    return Query(type_, (whose, *more), count=_PAGE, total="none", also=also)


def observations(patient_id: str, system: str, codes: Iterable[str]) -> Query:
    """The search for a patient's Observations with one of these codes of ``system``."""
    values = tuple(TokenValue(system, code) for code in codes)
    code = parameters("Observation")["code"]
    return about("Observation", patient_id, Clause(code.indexes, "token", values))


async def every(searcher: Searcher, query: Query) -> AsyncIterator[Version]:
    """Every current version the query finds, one page in memory at a time."""
    async for page in _pages(searcher, query):
        for version in page.versions:
            yield version


async def viewed(searcher: Searcher, kind: type[T], query: Query) -> list[T]:
    """What the query finds, as views; what does not have the shape of its type is passed over."""
    found: list[T] = []
    async for page in _pages(searcher, query):
        found += views(kind, [version.content for version in page.versions])
    return found


async def _pages(searcher: Searcher, query: Query) -> AsyncIterator[Page]:
    after: str | None = ""
    while after is not None:
        page = await searcher.search(replace(query, after=after))
        yield page
        after = page.next_after
