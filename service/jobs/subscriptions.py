"""Topic-based subscriptions: endpoints are greeted, told of events, tried again, and given up on.

Any number of processes share the subscriptions of a database: whoever holds one works at it. What a
subscription is to be told follows from the log of versions, so that nothing written is left out and nothing
that was taken back is told. A notification may be sent twice where a process is killed before it could note
that it was taken; the numbers of its events tell.

    requested   a handshake is sent once; taken, the subscription is active, otherwise in error
    active      events are numbered and sent; what is not taken is tried again, as long as the settings say
    error       events are numbered, not sent; whoever wants them asks with $events, and for a new handshake
                by writing the status 'requested'
    off         nothing happens; the endpoint answered 410, the end came, or somebody wrote it
"""

import asyncio
import logging
import secrets
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from datetime import datetime
from typing import TYPE_CHECKING

import msgspec

from service.errors import StoreUnavailable
from service.fhir.datetimes import interval, milliseconds
from service.fhir.json import reread
from service.fhir.search_reading import Reader
from service.fhir.subscription import Subscription, read_subscription
from service.jobs.outgoing import Outgoing
from service.jobs.subscription_events import number_events, types_of
from service.jobs.subscription_job import Subscriber, SubscriptionJob
from service.jobs.subscription_status import set_status
from service.operations.cue_limits import cue_limits
from service.security.asker import Here, seen_by
from service.security.principal import Principal
from service.security.remembered import Remembered
from service.settings import Settings
from service.store import subscriptions as rows
from service.store.contract import Store, Version
from service.store.entries import Opened
from service.store.subscriptions import Kept

if TYPE_CHECKING:
    from service.jobs.subscription_channel import Channel, Taken

__all__ = ["Subscriptions"]

_log = logging.getLogger("service.subscriptions")
_LOOK_S = 1.0
_SPARE_MS = 5_000
"""For so long beyond its time limit a process holds what it sends."""
_LONGEST_WAIT_S = 300
_BEHIND = 1_000
"""After so many numbers with nothing for a subscription that is noted."""
_FORGET_EVERY = 60
_UNKNOWN = "Who asked for it is not known here any more (the database was restored or moved); write it again."
_SHUT_OUT = "Who asked for it is no longer accepted here."


@dataclass
class Subscriptions:
    """The subscriptions of ``opened``, as far as this process works at them.

    ``shown`` is what people see of it. ``admits`` tells whether a caller is still accepted, ``now`` the
    present.
    """

    settings: Settings
    opened: Opened
    shown: Store
    now: Callable[[], datetime]
    remembered: Remembered
    outgoing: Outgoing
    admits: Callable[[Principal], Awaitable[bool]]
    _holder: str = field(default_factory=lambda: secrets.token_hex(8))
    _settled: int = 0
    _looked: dict[str, int] = field(default_factory=dict)
    _working: dict[str, asyncio.Task[None]] = field(default_factory=dict)
    _channel: "Channel | None" = None

    async def run(self) -> None:
        """Work at subscriptions until cancelled; whatever goes wrong is tried again."""
        quiet, passes = True, 0
        try:
            while True:
                try:
                    await self.look()
                    if passes % _FORGET_EVERY == 0:
                        await rows.forgotten(self.opened)
                    quiet = True
                except Exception as error:  # noqa: BLE001 - the task must live on, or nobody would be told
                    if quiet:
                        _log.warning("Subscriptions can't be looked at now (%s).", type(error).__name__)
                    quiet = False
                passes += 1
                await asyncio.sleep(_LOOK_S)
        finally:
            await self.close()

    async def close(self) -> None:
        """Leave off; what is being sent is sent again by whoever goes on."""
        for task in self._working.values():
            task.cancel()
        await asyncio.gather(*self._working.values(), return_exceptions=True)
        if self._channel is not None:
            await self._channel.close()
            self._channel = None

    async def look(self) -> None:
        """Begin to work at each subscription that this process is not at work at already."""
        self._working = {id_: task for id_, task in self._working.items() if not task.done()}
        found = await rows.kept(self.opened)
        if found:  # asked once for all of them, as writers wait for it
            self._settled = (await self.opened.settled()).sequence
        for one in found:
            if one.id not in self._working:
                self._working[one.id] = asyncio.create_task(self._safely(one))

    async def settle(self) -> None:
        """Look, and wait until all of it is done."""
        await self.look()
        await asyncio.gather(*self._working.values())

    async def _safely(self, one: Kept) -> None:
        try:
            await self._serve(one)
        except StoreUnavailable:
            pass  # tried again at the next look
        except Exception as error:  # noqa: BLE001 - the others go on
            _log.error("A subscription can't be worked at (%s).", type(error).__name__)

    async def _serve(self, one: Kept) -> None:
        version = await self.opened.read("Subscription", one.id)
        if version is None or version.deleted or version.version != one.version:
            return
        status = reread(version.content).get("status")
        if status == "off":
            if one.asker and not one.stopped:
                await rows.stopped(self.opened, one.id)
            return
        if not one.asker:
            await self._end(version, status, _UNKNOWN)
            return
        subscriber = msgspec.json.decode(one.asker, type=Subscriber)
        asked = self._read(version, subscriber)
        if asked is None:
            await self._end(version, status, "It asks for something that is not offered any more.")
        elif asked.end and interval(asked.end, self.settings.zone)[0] <= self._ms:
            await set_status(self.opened, version, "off")
        elif not await self.admits(subscriber.asker.principal):
            await self._end(version, status, _SHUT_OUT)
        else:
            await self._work(self._job(one, version, asked, subscriber))

    async def _end(self, version: Version, status: str | None, why: str) -> None:
        if status != "error":
            await set_status(self.opened, version, "error", why)

    async def _work(self, job: SubscriptionJob) -> None:
        if job.asked.status == "requested":
            await self._greet(job)
            return
        events = await self._numbered(job)
        if job.asked.status == "active":
            await self._tell(job, events)

    async def _greet(self, job: SubscriptionJob) -> None:
        """Send the handshake, once (channels.html: any error in it makes the status 'error')."""
        one = job.kept
        if not await self._claim(job):
            return
        taken = await self.channel.notify(job, "handshake", one.events)
        if taken.problem:
            await rows.failed(self.opened, one.id, self._ms, 0, taken.problem)
            await set_status(self.opened, job.version, "error", taken.problem)
        else:
            seen = one.sequence if one.stopped else one.seen
            await rows.restarted(self.opened, one.id, seen, one.events, self._ms)
            await set_status(self.opened, job.version, "active")

    async def _numbered(self, job: SubscriptionJob) -> int:
        """Number what is new, and answer how many events there are."""
        one, until = job.kept, self._settled
        seen = max(one.seen, self._looked.get(one.id, 0))
        if seen >= until:
            return one.events
        found, _ = await rows.written(self.opened, types_of(job.asked), seen, until)
        if found and not await self._claim(job):
            return one.events
        events = one.events
        if found or until - one.seen > _BEHIND:
            events = await number_events(self.opened, job, until)
        self._looked[one.id] = until
        return events

    async def _tell(self, job: SubscriptionJob, events: int) -> None:
        """Send what was not sent, or a heartbeat where nothing was for so long."""
        one, sent = job.kept, job.kept.sent
        if one.due > self._ms:
            return
        while sent < events and await self._claim(job):
            last = min(events, sent + job.asked.most)
            taken = await self.channel.notify(job, "event-notification", events, (sent + 1, last))
            if taken.problem:
                await self._failed(job, taken)
                return
            await rows.taken(self.opened, one.id, last, self._ms)
            sent = last
        beat = job.asked.heartbeat_s * 1_000
        if beat and sent == one.sent and self._ms - one.contact >= beat and await self._claim(job):
            taken = await self.channel.notify(job, "heartbeat", events)
            await (
                self._failed(job, taken) if taken.problem else rows.taken(self.opened, one.id, sent, self._ms)
            )

    async def _failed(self, job: SubscriptionJob, taken: "Taken") -> None:
        """Try again later, or give up."""
        one, now = job.kept, self._ms
        since = one.since or now
        given_up = now - since > self.settings.subscription_minutes * 60_000
        wait_s = taken.wait.total_seconds() if taken.wait else min(_LONGEST_WAIT_S, 2.0**one.tries)
        await rows.failed(self.opened, one.id, now, now + round(wait_s * 1_000), taken.problem)
        if taken.gone or given_up:
            await set_status(self.opened, job.version, "off" if taken.gone else "error", taken.problem)

    async def _claim(self, job: SubscriptionJob) -> bool:
        until = self._ms + job.asked.timeout_s * 1_000 + _SPARE_MS
        return await rows.claimed(self.opened, job.kept.id, self._holder, self._ms, until)

    def _read(self, version: Version, subscriber: Subscriber) -> Subscription | None:
        reader = Reader(self.settings.zone, self._ms, subscriber.base)
        return read_subscription(reread(version.content), reader)[0]

    def _job(
        self, one: Kept, version: Version, asked: Subscription, subscriber: Subscriber
    ) -> SubscriptionJob:
        here = Here(self.settings.zone, subscriber.base, self.now)
        seen = seen_by(self.shown, subscriber.asker, here, self.settings.clinician_reach, self.remembered)
        limits = cue_limits(self.settings)
        return SubscriptionJob(one, version, asked, subscriber.asker, here, seen, limits)

    @property
    def channel(self) -> "Channel":
        """What sends; made when something is sent first, as its client takes 60 ms to import."""
        if self._channel is None:
            from service.jobs.subscription_channel import Channel  # noqa: PLC0415 - as above

            self._channel = Channel(self.opened, self.outgoing)
        return self._channel

    @property
    def _ms(self) -> int:
        return milliseconds(self.now())
