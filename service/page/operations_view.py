"""What the operator's page says of queues: numbers in words, and what should be looked at. Pure."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from service.jobs.destination_state import DestinationState
from service.jobs.subscription_state import SubscriptionState
from service.page.words import plural

__all__ = ["Act", "Row", "alarms", "destination_rows", "lasted", "subscription_rows"]

LONG_S = 900
"""After so long something that waits is told as an alarm; common practice, no source."""
MANY = 100
"""So many patients, or events, that wait are one; common practice, no source."""
_STATES = {
    "active": "delivering",
    "paused": "paused by somebody",
    "resting": "left alone for a moment after failures",
}


@dataclass(frozen=True, slots=True)
class Act:
    """A button: what it does and what it says."""

    name: str
    label: str


@dataclass(frozen=True, slots=True)
class Row:
    """One queue: its ``name`` (an id for acts), what it is, cells by heading, and what can be done."""

    name: str
    title: str
    cells: tuple[tuple[str, str], ...]
    acts: tuple[Act, ...]


def alarms(destinations: Sequence[DestinationState], subscriptions: Sequence[SubscriptionState]) -> list[str]:
    """What should be looked at, a sentence each."""
    return [*_of_destinations(destinations), *_of_subscriptions(subscriptions)]


def _of_destinations(found: Sequence[DestinationState]) -> Iterator[str]:
    for one in found:
        if one.oldest_s > LONG_S:
            yield f"{one.name}: the oldest change waits for {lasted(one.oldest_s)}."
        if one.waiting > MANY:
            yield f"{one.name}: changes of {plural(one.waiting, 'patient')} wait."
        if one.parked:
            yield f"{one.name}: what changed of {plural(one.parked, 'patient')} is not tried any more."


def _of_subscriptions(found: Sequence[SubscriptionState]) -> Iterator[str]:
    for one in found:
        if one.status == "error":
            yield f"Subscription {one.id}: in error. {one.problem}"
        if one.oldest_s > LONG_S:
            yield f"Subscription {one.id}: the oldest event waits for {lasted(one.oldest_s)}."
        if one.waiting > MANY:
            yield f"Subscription {one.id}: {plural(one.waiting, 'event')} wait."


def destination_rows(found: Sequence[DestinationState]) -> list[Row]:
    """A row for each destination."""
    return [
        Row(
            one.name,
            f"{one.kind}, {one.address}",
            (
                ("State", _STATES.get(one.state, one.state)),
                ("Waiting", _waiting(one.waiting, "patient", one.oldest_s)),
                ("Not tried any more", plural(one.parked, "patient") if one.parked else "none"),
                ("Arrived", f"{one.sent:,}; {one.hourly[0]:,} in this hour, {one.hourly[1]:,} in the last"),
                ("Tries in vain", f"{one.failed:,}"),
                ("Last problem", one.problem or "none"),
            ),
            (
                Act("resume", "Resume") if one.state != "active" else Act("pause", "Pause"),
                Act("redrive", "Try everything again now"),
            ),
        )
        for one in found
    ]


def subscription_rows(found: Sequence[SubscriptionState]) -> list[Row]:
    """A row for each subscription."""
    return [
        Row(
            one.id,
            f"{one.topic} to {one.host}",
            (
                ("Status", one.status),
                ("Events", f"{one.events:,}"),
                ("Waiting", _waiting(one.waiting, "event", one.oldest_s)),
                ("Last taken", "never" if one.quiet_s is None else f"{lasted(one.quiet_s)} ago"),
                ("Tries in vain", str(one.tries)),
                ("Last problem", one.problem or "none"),
            ),
            (Act("hurry", "Try again now"),) if one.status == "active" and one.tries else (),
        )
        for one in found
    ]


def _waiting(number: int, what: str, oldest_s: float) -> str:
    return f"{plural(number, what)}, the oldest for {lasted(oldest_s)}" if number else "nothing"


def lasted(seconds: float) -> str:
    """A time in its largest unit: ``3 minutes``."""
    for length, unit in ((86_400, "day"), (3_600, "hour"), (60, "minute")):
        if seconds >= length:
            return plural(int(seconds // length), unit)
    return plural(int(seconds), "second")
