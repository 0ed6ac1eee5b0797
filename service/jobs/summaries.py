"""Rows for lists of patients, made anew when they are behind: a few on request, all in the background.

Any number of processes may do this on one database, and any may be killed: a row is kept only in place of
the one its maker saw (``store/summaries.py``), so the worst is that something is computed twice.
"""

import asyncio
import logging
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Protocol
from zoneinfo import ZoneInfo

from service.errors import Gone, NotFound, StoreUnavailable
from service.jobs.runs import Runs
from service.store.contract import Store, Transaction
from service.store.summaries import Summary

__all__ = ["Maker", "Summaries"]

_log = logging.getLogger("service.summaries")

_AT_ONCE = 4
"""Rows kept in one write."""
_REST = 3
"""How many times as long as it worked the background task rests: others come first."""
_IDLE_S = 1.0
_AGAIN_S = 300.0
"""After so long everybody is looked at again; changes are noted, so this finds only what nobody noted."""


class Maker(Protocol):
    """Makes the row of one patient."""

    @property
    def basis(self) -> str:
        """By which rules; a row of others is behind."""
        ...

    async def __call__(self, store: Store, patient: str, day: date) -> Summary:
        """Answer the row as of a day; NotFound or Gone if there is no such patient."""
        ...

    async def failed(self, store: Store, patient: str, day: date) -> Summary:
        """Answer the row of a patient for whom it can't be made, which says so."""
        ...


@dataclass
class Summaries:
    """Keeps the rows of ``store`` up to date; ``now`` answers the present, ``zone`` is the site's.

    What the background task did is told to ``runs`` when nothing is left to do.
    """

    store: Store
    maker: Maker
    zone: ZoneInfo
    now: Callable[[], datetime]
    runs: Runs = field(default_factory=Runs)
    _worked: float = 0.0
    _renewed: int = 0
    _on_request: asyncio.Lock = field(default_factory=asyncio.Lock)
    _all_seen: tuple[date, float] | None = None

    @property
    def today(self) -> date:
        """The day for which rows have to hold."""
        return self.now().astimezone(self.zone).date()

    async def renew(self, patients: Sequence[str]) -> None:
        """Make and keep the rows of these patients; rows of those who are gone are taken away."""
        made = [(seen, await self._made(seen.patient)) for seen in await self.store.seen(sorted(patients))]

        async def work(transaction: Transaction) -> None:
            for seen, summary in made:
                await transaction.keep_summary(seen, summary)

        await self.store.write("summaries", work)

    async def hurry(self, first: Sequence[str], seconds: float) -> None:
        """Renew ``first`` and then others that are behind, for about so long; who waited so long does none.

        One request at a time, as several would do the same. A store that can't be written leaves them behind.
        """
        end = time.monotonic() + seconds
        waiting = list(first)
        async with self._on_request:
            while time.monotonic() < end and (waiting := waiting or await self._behind()):
                chosen, waiting = waiting[:_AT_ONCE], waiting[_AT_ONCE:]
                try:
                    await self.renew(chosen)
                except StoreUnavailable:
                    return

    async def run(self) -> None:
        """Renew what is behind until cancelled; whatever goes wrong is tried again."""
        quiet = True
        while True:
            try:
                pause = await self._some()
                quiet = True
            except Exception as error:  # noqa: BLE001 - the task must live on, or rows would stay behind
                if quiet:
                    _log.warning("Rows of patients can't be renewed now (%s).", type(error).__name__)
                quiet, pause = False, _IDLE_S
            await asyncio.sleep(pause)

    async def _some(self) -> float:
        """Renew some rows; answers the seconds to rest.

        Until everybody was found up to date today it looks at all, then at those of whom a change is noted.
        """
        begun, today = time.monotonic(), self.today
        everybody = not self._looked_at_all(today, begun)
        patients = await (self._behind() if everybody else self.store.noted(_AT_ONCE))
        if not patients:
            self._all_seen = (today, begun) if everybody else self._all_seen
            self._rest()
            return _IDLE_S
        await self.renew(patients)
        worked = time.monotonic() - begun
        self._worked, self._renewed = self._worked + worked, self._renewed + len(patients)
        return _REST * worked

    def _rest(self) -> None:
        """Tell what was done since there was nothing to do; the seconds are those of work alone."""
        if self._renewed:
            self.runs.tell("summaries", self._worked, {"rows": self._renewed})
        self._worked, self._renewed = 0.0, 0

    def _looked_at_all(self, today: date, moment: float) -> bool:
        return (
            self._all_seen is not None
            and self._all_seen[0] == today
            and moment < self._all_seen[1] + _AGAIN_S
        )

    async def _behind(self) -> list[str]:
        return await self.store.behind(self.today.isoformat(), self.maker.basis, _AT_ONCE)

    async def _made(self, patient: str) -> Summary | None:
        try:
            return await self._made_or_told(patient, self.today)
        except (NotFound, Gone):
            return None

    async def _made_or_told(self, patient: str, today: date) -> Summary:
        try:
            return await self.maker(self.store, patient, today)
        except (NotFound, Gone, StoreUnavailable):
            raise
        except Exception as error:  # noqa: BLE001 - one record must not keep all others from being renewed
            _log.warning("The row of a patient can't be made (%s).", type(error).__name__)
            return await self.maker.failed(self.store, patient, today)
