"""What a subscriber is told: the status of a subscription, its events, and the Bundle around them.

Source: Subscriptions R5 Backport 1.1.0, backport-subscription-status-r4 and -notification-r4.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Literal
from uuid import uuid4

from service.fhir.bundle import Item, bundle
from service.fhir.json import dump

__all__ = ["Kind", "Told", "TopicEvent", "notification", "status_item"]

Kind = Literal["handshake", "heartbeat", "event-notification", "query-status", "query-event"]
_PROFILE = "http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition/backport-subscription-status-r4"


@dataclass(frozen=True, slots=True)
class TopicEvent:
    """One event: its number, the instant it happened, its focus and what is told besides (addresses).

    Without a focus nothing is told of what it is about.
    """

    number: int
    occurred: str = ""
    focus: str = ""
    context: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Told:
    """Where a subscription stands: its address, its status, how many events there were, what went wrong.

    ``topic`` is its canonical, empty where it is not to be told.
    """

    address: str
    status: str
    events: int
    topic: str = ""
    error: str = ""


def notification(
    kind: Kind,
    told: Told,
    *,
    timestamp: str,
    events: Iterable[TopicEvent] = (),
    resources: Sequence[Item] = (),
) -> bytes:
    """Answer the Bundle of one notification as JSON text; ``resources`` are entries of a history."""
    return bundle("history", [status_item(kind, told, events), *resources], timestamp=timestamp)


def status_item(kind: Kind, told: Told, events: Iterable[TopicEvent] = ()) -> Item:
    """The entry that tells where a subscription stands, as in a history."""
    id_ = str(uuid4())
    asked = {"request": {"method": "GET", "url": f"{told.address}/$status"}, "response": {"status": "200"}}
    return Item(f"urn:uuid:{id_}", dump(_parameters(id_, kind, told, events)), asked)


def _parameters(id_: str, kind: Kind, told: Told, events: Iterable[TopicEvent]) -> dict[str, Any]:
    topic = [{"name": "topic", "valueCanonical": told.topic}] if told.topic else []
    error = [{"name": "error", "valueCodeableConcept": {"text": told.error}}] if told.error else []
    return {
        "resourceType": "Parameters",
        "id": id_,
        "meta": {"profile": [_PROFILE]},
        "parameter": [
            {"name": "subscription", "valueReference": {"reference": told.address}},
            *topic,
            {"name": "status", "valueCode": told.status},
            {"name": "type", "valueCode": kind},
            {"name": "events-since-subscription-start", "valueString": str(told.events)},
            *({"name": "notification-event", "part": _parts(one)} for one in events),
            *error,
        ],
    }


def _parts(event: TopicEvent) -> list[dict[str, Any]]:
    parts: list[dict[str, Any]] = [{"name": "event-number", "valueString": str(event.number)}]
    if event.occurred:
        parts.append({"name": "timestamp", "valueInstant": event.occurred})
    if event.focus:
        parts.append({"name": "focus", "valueReference": {"reference": event.focus}})
        parts += [
            {"name": "additional-context", "valueReference": {"reference": one}} for one in event.context
        ]
    return parts
