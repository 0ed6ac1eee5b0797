"""Delivers to one destination: takes patients on whom there is work, sends, notes what arrived.

Any number of workers in any number of processes share the work of a destination: each patient is held by one
at a time, for a time that is renewed with each answer, so that what a killed worker held is taken by others.
"""

import asyncio
import logging
import random
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from secrets import token_hex

import msgspec

from service.errors import DeliveryFailed, DeliveryRefused, ServiceError, StoreUnavailable
from service.fhir.datetimes import milliseconds
from service.jobs.delivery_parcel import parcel_for
from service.jobs.delivery_sender import Receipt, Sender
from service.jobs.destination import Destination
from service.store import destinations, feeds
from service.store.entries import Opened
from service.store.erasing import Name

__all__ = ["Counts", "Problem", "Worker", "problem_of"]

_log = logging.getLogger("service.delivery")

_FIRST_MS = 1_000
_LONGEST_MS = 900_000
_MOST_TRIES = 20
"""After so many answers that refuse one patient's changes for reasons that may pass, somebody has to look."""
_FAILURES = 3
"""After so many failures in a row a destination is left alone for a time, and then tried with one patient."""


class Problem(msgspec.Struct, frozen=True):
    """What a try met: a sentence for who runs the service; nothing that is about anybody."""

    message: str


@dataclass(slots=True)
class Counts:
    """What was done: parcels in which something arrived, resources in them, tries in vain."""

    parcels: int = 0
    resources: int = 0
    failed: int = 0


@dataclass(slots=True)
class Worker:
    """Delivers to ``destination`` by ``sender``; ``now`` answers the present.

    ``record`` is called with a patient before something of them is handed out.
    ``hold_ms``: for so long a patient is held without an answer.
    """

    store: Opened
    destination: Destination
    sender: Sender
    now: Callable[[], datetime]
    record: Callable[[str], Awaitable[None]]
    hold_ms: int = 120_000
    counts: Counts = field(default_factory=Counts)
    _holder: str = field(default_factory=lambda: token_hex(8))

    @property
    def _moment(self) -> int:
        return milliseconds(self.now())

    async def work(self) -> int:
        """Deliver until nothing is due; answers of how many patients something was tried."""
        running: set[asyncio.Task[None]] = set()
        tried = 0
        try:
            while True:
                held = await self._claimed(len(running))
                tried += len(held)
                running |= {asyncio.create_task(self._delivered(one)) for one in held}
                if not running:
                    return tried
                done, running = await asyncio.wait(running, return_when=asyncio.FIRST_COMPLETED)
                for task in done:
                    task.result()
        finally:
            for task in running:
                task.cancel()
            await asyncio.gather(*running, return_exceptions=True)

    async def _claimed(self, running: int) -> list[feeds.Claim]:
        """Hold as many more patients as the destination may be sent at a time now."""
        name, now = self.destination.name, self._moment
        standing = await destinations.standing_of(self.store, name)
        if standing.paused or standing.rests > now:
            return []
        most = 1 if standing.failures >= _FAILURES else self.destination.limits.concurrency
        if running >= most:
            return []
        until = now + self.hold_ms
        return await feeds.claim(self.store, name, self._holder, now=now, until=until, most=most - running)

    async def _delivered(self, held: feeds.Claim) -> None:
        try:
            await self._sent(held)
        except StoreUnavailable:
            raise
        except DeliveryFailed as error:
            await self._in_vain(held, error)
        except ServiceError as error:
            await self._in_vain(held, DeliveryFailed(str(error)))
        except Exception as error:  # noqa: BLE001 - one patient must not keep all others from being sent
            _log.error("A delivery to %s failed (%s).", self.destination.name, type(error).__name__)
            failed = DeliveryFailed(f"It failed inside this service ({type(error).__name__}).", alone=True)
            await self._in_vain(held, failed)

    async def _sent(self, held: feeds.Claim) -> None:
        parcel = await parcel_for(self.store, self.destination, held.patient)
        arrived = 0
        if parcel.changes:
            await self.record(held.patient)
            async for receipts in self.sender.send(parcel):
                if not await self._kept(held, receipts):
                    return
                sent = sum(one.sent for one in receipts)
                arrived += sent
                await self._arrived(sent)
        await feeds.acknowledge(self.store, self.destination.name, held, self._holder, self._moment)
        self.counts.parcels += bool(arrived)

    async def _arrived(self, resources: int) -> None:
        if resources:
            await destinations.arrived(self.store, self.destination.name, resources, self._moment)
            self.counts.resources += resources

    async def _kept(self, held: feeds.Claim, receipts: Sequence[Receipt]) -> bool:
        """Note what arrived; False if the patient is no longer ours: then others go on."""
        name, patient = self.destination.name, held.patient
        gone = [Name(one.change.version.type, one.change.version.id) for one in receipts if _is_gone(one)]
        there = [_row(one) for one in receipts if not _is_gone(one)]
        await feeds.keep(self.store, name, patient, self._holder, there)
        await feeds.forget(self.store, name, gone)
        return await feeds.hold_on(self.store, name, patient, self._holder, self._moment + self.hold_ms)

    async def _in_vain(self, held: feeds.Claim, error: DeliveryFailed) -> None:
        """Put a patient off; park one of whom trying again is no use."""
        self.counts.failed += 1
        now, wait = self._moment, int(error.wait_s * 1_000)
        tries = held.tries + 1
        answered = error.alone or isinstance(error, DeliveryRefused)
        parked = isinstance(error, DeliveryRefused) or (error.alone and tries >= _MOST_TRIES)
        problem = problem_of(str(error))
        due = now + (wait or backoff(tries))
        await feeds.put_off(
            self.store,
            self.destination.name,
            held,
            self._holder,
            due=due,
            tries=tries if answered else held.tries,
            parked=parked,
            problem=problem,
        )
        name = self.destination.name
        standing = await destinations.standing_of(self.store, name)
        failures = standing.failures + 1
        rests = 0 if answered else now + wait if wait else 0
        if not answered and not wait and failures >= _FAILURES:
            rests = now + backoff(failures - _FAILURES + 1)
        await destinations.met(self.store, name, problem, whole=not answered, rests=rests)


def backoff(tries: int) -> int:
    """Milliseconds to wait after so many tries in vain: twice as long each time, half of it by chance.

    By chance, as many who wait for the same thing would else come back together.
    """
    longest: int = min(_FIRST_MS * 2 ** min(tries - 1, 20), _LONGEST_MS)
    return longest // 2 + random.randrange(longest // 2 + 1)  # noqa: S311 - no secret


def problem_of(said: str) -> str:
    """Write down what was met, as it is kept (JSON)."""
    return msgspec.json.encode(Problem(said)).decode()


def _is_gone(receipt: Receipt) -> bool:
    return receipt.change.version.deleted


def _row(receipt: Receipt) -> feeds.Delivered:
    version = receipt.change.version
    return feeds.Delivered(version.type, version.id, version.version, receipt.there)
