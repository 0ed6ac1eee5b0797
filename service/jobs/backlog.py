"""What waits to be done beside the requests: rows of the list that are behind, changes not delivered."""

import asyncio
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

from service.errors import ServiceError
from service.jobs.ledger import ledgers
from service.jobs.summaries import Summaries
from service.store.contract import Store
from service.store.summaries import SummaryQuery

__all__ = ["Backlog"]


@dataclass
class Backlog:
    """What waits in ``store``, for the service and for deliveries whose ledgers lie in ``folder``.

    ``rows``: patients of the list whose row is behind or missing. ``undelivered``: by destination, the age in
    seconds of the oldest change it has not acknowledged, 0 if it has all. What can't be told is left out.
    """

    store: Store
    summaries: Summaries
    folder: Path
    rows: dict[tuple[str, ...], float] = field(default_factory=dict)
    undelivered: dict[tuple[str, ...], float] = field(default_factory=dict)

    async def look(self) -> None:
        """Look at all of it anew."""
        try:
            self.rows = {(): await self._behind()}
            self.undelivered = await self._ages()
        except ServiceError:
            self.rows, self.undelivered = {}, {}

    async def _behind(self) -> float:
        query = SummaryQuery(self.summaries.today.isoformat(), self.summaries.maker.basis, count=0)
        return (await self.store.summaries(query)).behind

    async def _ages(self) -> dict[tuple[str, ...], float]:
        ages: dict[tuple[str, ...], float] = {}
        for one in await asyncio.to_thread(lambda: list(ledgers(self.folder))):
            ages[one.host,] = max(ages.get((one.host,), 0), await self._age(one.everything))
        return ages

    async def _age(self, acknowledged: int) -> float:
        async for change in self.store.changes(acknowledged):
            written = datetime.fromisoformat(change.last_updated)
            return max(0.0, (self.summaries.now() - written).total_seconds())
        return 0.0
