"""Delivery of what is stored here to the destinations, beside the requests or by a command.

The log of versions is what is delivered from: a version is written in the transaction of the resource it is,
so nothing that was stored is ever missing here, and nothing is sent that was not stored.
"""

import asyncio
import logging
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime, tzinfo

from service.errors import ServiceError, StoreUnavailable
from service.fhir.datetimes import milliseconds
from service.jobs.delivery_router import route
from service.jobs.delivery_schedule import is_time
from service.jobs.delivery_sender import Sender
from service.jobs.delivery_worker import Counts, Worker, problem_of
from service.jobs.destination import Destination
from service.jobs.destinations import Destinations
from service.jobs.runs import Runs
from service.security.audit import Facts
from service.security.audit_event import events_of
from service.store import destinations as standing
from service.store.entries import Opened

__all__ = ["Delivery"]

_log = logging.getLogger("service.delivery")

_LOOK_S = 1.0
_AGAIN_S = 0.2
_STUMBLED_MS = 60_000
_JOB = "delivery"


@dataclass(slots=True)
class Delivery:
    """Delivers from ``store`` to all of ``known``, each beside the others: a dead one slows no other.

    ``sender_for`` opens the way to a destination. ``agent`` is who does it, as the audit trail has it.
    ``zone`` is the site's, of which schedules tell.
    """

    store: Opened
    known: Destinations
    sender_for: Callable[[Destination], Sender]
    now: Callable[[], datetime]
    agent: str
    runs: Runs = field(default_factory=Runs)
    zone: tzinfo = UTC
    _working: dict[str, tuple[Destination, asyncio.Task[None]]] = field(default_factory=dict)

    async def run(self) -> None:
        """Deliver until cancelled; whatever goes wrong is tried again."""
        try:
            while True:
                try:
                    await self._look()
                except (ServiceError, OSError) as error:
                    _log.warning("Destinations can't be read now (%s).", type(error).__name__)
                await asyncio.sleep(_LOOK_S)
        finally:
            await _ended([task for _, task in self._working.values()])

    async def _look(self) -> None:
        """Begin with destinations that are new or changed, and end with those that are no longer there."""
        wanted = {one.name: one for one in await self.known.all()}
        gone = [name for name, (one, task) in self._working.items() if wanted.get(name) != one or task.done()]
        await _ended([self._working.pop(name)[1] for name in gone])
        for name in wanted.keys() - self._working.keys():
            self._working[name] = wanted[name], asyncio.create_task(self._deliver(wanted[name]))

    async def _deliver(self, destination: Destination) -> None:
        """Deliver to one destination until cancelled."""
        worker: Worker | None = None
        last: datetime | None = None
        stumbled = False
        try:
            while True:
                try:
                    if stumbled := stumbled and await self._is_left_alone(destination):
                        await asyncio.sleep(_LOOK_S)
                        continue
                    worker = worker or self._worker(destination)
                    if is_time(destination.schedule, now := self.now().astimezone(self.zone), last):
                        await self._round(worker)
                        last = now
                except StoreUnavailable:
                    pass  # what was not noted is looked at again
                except Exception as error:  # noqa: BLE001 - the task must live on
                    await self._stumbled(destination, error)
                    stumbled = True
                await asyncio.sleep(_LOOK_S)
        finally:
            if worker is not None:
                await worker.sender.close()

    async def _stumbled(self, destination: Destination, error: Exception) -> None:
        """Note that a destination can't be delivered to at all, and leave it alone for a while."""
        said = str(error) if isinstance(error, ServiceError) else f"It failed here ({type(error).__name__})."
        _log.error("Delivery to %s stumbled (%s).", destination.name, type(error).__name__)
        rests = milliseconds(self.now()) + _STUMBLED_MS
        with suppress(StoreUnavailable):
            await standing.met(self.store, destination.name, problem_of(said), whole=True, rests=rests)

    async def _is_left_alone(self, destination: Destination) -> bool:
        """Whether it rests; somebody who resumes it ends that."""
        stands = await standing.standing_of(self.store, destination.name)
        return stands.rests > milliseconds(self.now())

    async def _round(self, worker: Worker) -> None:
        await route(self.store, worker.destination)
        before = worker.counts.parcels, worker.counts.resources, worker.counts.failed
        if await worker.work():
            after = worker.counts.parcels, worker.counts.resources, worker.counts.failed
            done = [one - other for one, other in zip(after, before, strict=True)]
            self.runs.tell(_JOB, 0.0, dict(zip(("parcels", "resources", "failed"), done, strict=True)))

    async def drain(self, destination: Destination, patience_s: float) -> Counts:
        """Deliver what waits for one destination, and answer what was done.

        What is put off is waited for, unless nothing has arrived for ``patience_s`` seconds.
        """
        worker = self._worker(destination)
        try:
            arrived, end = -1, 0.0
            while True:
                await route(self.store, destination)
                await worker.work()
                if arrived != worker.counts.resources:
                    arrived, end = worker.counts.resources, time.monotonic() + patience_s
                left = (await standing.waiting(self.store)).get(destination.name, standing.Waiting())
                stands = (await standing.standings(self.store)).get(destination.name, standing.Standing())
                if left.patients == left.parked or stands.paused or time.monotonic() > end:
                    return worker.counts
                await asyncio.sleep(_AGAIN_S)
        finally:
            await worker.sender.close()

    def _worker(self, destination: Destination) -> Worker:
        async def record(patient: str) -> None:
            facts = Facts(
                subtype="operation", command=f"deliver {destination.name}", kind="110106", agent=self.agent
            )
            if patient:
                facts.patients[patient] = None
            await self.store.audit(events_of(facts, 200))

        return Worker(self.store, destination, self.sender_for(destination), self.now, record)


async def _ended(tasks: list[asyncio.Task[None]]) -> None:
    for task in tasks:
        task.cancel()
    await asyncio.gather(*tasks, return_exceptions=True)
