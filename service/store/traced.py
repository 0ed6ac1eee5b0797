"""A store whose work is told in spans, where somebody follows requests (``tracing.py``)."""

from collections.abc import Sequence
from contextlib import AbstractContextManager
from typing import TypeVar

from service.correlation import within
from service.fhir.search_parameters import stored_types
from service.store.audit import Event
from service.store.contract import History, Page, Query, Version, Work
from service.store.passing import PassingStore
from service.store.summaries import SummaryPage, SummaryQuery

__all__ = ["TracedStore"]

T = TypeVar("T")


class TracedStore(PassingStore):
    """The Store of the contract; a span tells what kind of work it is, and of which type."""

    async def read(self, type_: str, id_: str) -> Version | None:
        """See the contract."""
        with _span("read", type_):
            return await super().read(type_, id_)

    async def vread(self, type_: str, id_: str, version: int) -> Version | None:
        """See the contract."""
        with _span("vread", type_):
            return await super().vread(type_, id_, version)

    async def history(self, query: History) -> Page:
        """See the contract."""
        with _span("history", *query.types[:1]):
            return await super().history(query)

    async def search(self, query: Query) -> Page:
        """See the contract."""
        with _span("search", query.type):
            return await super().search(query)

    async def summaries(self, query: SummaryQuery) -> SummaryPage:
        """See the contract."""
        with _span("summaries"):
            return await super().summaries(query)

    async def write(self, name: str, work: Work[T]) -> T:
        """See the contract; ``name`` is what the program calls the work."""
        with _span(f"write {name}"):
            return await super().write(name, work)

    async def audit(self, events: Sequence[Event]) -> None:
        """See the contract."""
        with _span("audit"):
            await super().audit(events)

    async def audited(self, query: Query) -> Page:
        """See the contract."""
        with _span("search", query.type):
            return await super().audited(query)


def _span(what: str, type_: str = "") -> AbstractContextManager[object]:
    """Only types that are stored are named: others may be any text of an address."""
    return within(f"store {what}", {"fhir.type": type_} if type_ in stored_types() else {})
