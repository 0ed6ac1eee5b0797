"""What waits to be done beside the requests: rows that are behind, changes not delivered, events not told."""

from dataclasses import dataclass, field

from service.errors import ServiceError
from service.jobs.destination_state import DestinationState, states
from service.jobs.destinations import Destinations
from service.jobs.subscription_state import SubscriptionState, subscription_states
from service.jobs.summaries import Summaries
from service.store.entries import Opened
from service.store.summaries import SummaryQuery

__all__ = ["Backlog"]


@dataclass
class Backlog:
    """What waits in ``store``, for the service and for the destinations that are ``known``.

    ``rows``: patients of the list whose row is behind or missing. ``destinations`` and ``subscriptions``: how
    each stands. What can't be told is left out.
    """

    store: Opened
    summaries: Summaries
    known: Destinations
    rows: dict[tuple[str, ...], float] = field(default_factory=dict)
    destinations: list[DestinationState] = field(default_factory=list)
    subscriptions: list[SubscriptionState] = field(default_factory=list)

    async def look(self) -> None:
        """Look at all of it anew."""
        try:
            self.rows = {(): await self._behind()}
            self.destinations = await states(self.store, self.known, self.summaries.now())
            self.subscriptions = await subscription_states(self.store, self.summaries.now())
        except ServiceError:
            self.rows, self.destinations, self.subscriptions = {}, [], []

    async def _behind(self) -> float:
        query = SummaryQuery(self.summaries.today.isoformat(), self.summaries.maker.basis, count=0)
        return (await self.store.summaries(query)).behind
