"""Sends notifications to the endpoint of a subscription (R4 subscription.html, rest-hook)."""

import asyncio
from collections import Counter
from datetime import UTC, datetime, timedelta
from typing import NamedTuple

from service.errors import AddressRefused, InvalidInput, NotAcceptable
from service.fhir import xml_writer
from service.fhir.datetimes import instant, milliseconds
from service.fhir.json import reread
from service.fhir.notification import Kind, Told, notification
from service.fhir.subscription import MEDIA_TYPES, Subscription
from service.jobs.http_client import Client, TransportError, connect, retry_wait
from service.jobs.outgoing import Outgoing
from service.jobs.subscription_job import SubscriptionJob
from service.operations.subscription_events import Telling, Wanted, telling
from service.security.audit import Facts
from service.security.audit_event import events_of
from service.store.entries import Opened
from service.store.subscriptions import events_between

__all__ = ["Channel", "Taken"]

_GONE = 410


class Taken(NamedTuple):
    """What became of it: ``problem`` is empty if it was taken; ``wait`` is what the endpoint asked for."""

    problem: str = ""
    gone: bool = False
    wait: timedelta | None = None


class Channel:
    """Sends what subscriptions of ``store`` are told; connects where ``outgoing`` lets it.

    ``told`` counts notifications by what became of them.
    """

    def __init__(self, store: Opened, outgoing: Outgoing) -> None:
        """Open no connection yet."""
        self.told: Counter[str] = Counter()
        self._store = store
        self._client = connect("", "", outgoing)

    async def close(self) -> None:
        """Let the connections go."""
        await self._client.aclose()

    async def notify(
        self, job: SubscriptionJob, kind: Kind, events: int, numbers: tuple[int, int] | None = None
    ) -> Taken:
        """Send one notification; ``events`` there were in all, ``numbers`` are the first and last in it."""
        told = await self._telling(job, *numbers) if numbers else Telling()
        if told.people and numbers:
            await self._record(job, told, numbers)
        where = Told(
            job.address,
            job.asked.status,
            numbers[1] if numbers else events,
            topic="" if job.asked.content == "empty" else job.asked.topic.url,
        )
        moment = instant(milliseconds(job.here.now()))
        resources = [*told.resources.values()]
        bundle = notification(kind, where, timestamp=moment, events=told.events, resources=resources)
        taken = await _send(self._client, job.asked, bundle)
        self.told["refused" if taken.problem else "taken"] += 1
        return taken

    async def _telling(self, job: SubscriptionJob, low: int, high: int) -> Telling:
        kept = await events_between(self._store, job.kept.id, low, high)
        wanted = Wanted(low, high, job.asked.content)
        return await telling(job.seen, kept, wanted, job.asked.topic, may=job.may, base=job.here.base)

    async def _record(self, job: SubscriptionJob, told: Telling, numbers: tuple[int, int]) -> None:
        """Record that something about people leaves, before it does."""
        id_ = job.kept.id
        facts = Facts(
            subtype="operation",
            kind="110106",
            principal=job.asker.principal,
            agent=job.asker.agent,
            query=f"Subscription/{id_} events {numbers[0]} to {numbers[1]}",
            target=f"Subscription/{id_}",
            patients=told.people,
        )
        await self._store.audit(events_of(facts, 200))


async def _send(client: Client, asked: Subscription, bundle: bytes) -> Taken:
    """Post a Bundle, JSON text, as the subscription wants it; of the answer the status alone is read."""
    content = _as_xml(bundle) if asked.media_type == MEDIA_TYPES[1] else bundle
    headers = [*asked.headers, ("Content-Type", asked.media_type)]
    try:
        async with (
            asyncio.timeout(asked.timeout_s),
            client.stream("POST", asked.endpoint, content=content, headers=headers) as response,
        ):
            if response.is_success:
                return Taken()
            wait = retry_wait(response, datetime.now(UTC))
            return Taken(
                f"The endpoint answered {response.status_code}.", response.status_code == _GONE, wait
            )
    except AddressRefused as error:
        return Taken(str(error))
    except (TransportError, TimeoutError, ValueError) as error:
        return Taken(f"The endpoint did not answer ({type(error).__name__}).")


def _as_xml(bundle: bytes) -> bytes:
    try:
        return xml_writer.dump(reread(bundle))
    except (InvalidInput, NotAcceptable):  # XML can't carry what is in it: the events are told without
        tree = reread(bundle)
        return xml_writer.dump({**tree, "entry": tree["entry"][:1]})
