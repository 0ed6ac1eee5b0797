"""What events of a subscription are about, as somebody may be told of it; and ``$events``.

Source: Subscriptions R5 Backport 1.1.0, payloads.html and backport-subscription-events.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from service.errors import InvalidInput
from service.fhir.bundle import Item
from service.fhir.datetimes import instant
from service.fhir.json import reread
from service.fhir.notification import TopicEvent
from service.fhir.search_keys import extract
from service.fhir.subscription import CONTENTS, Content
from service.fhir.topic_filters import included
from service.fhir.topics import Topic
from service.interactions.history import history_item
from service.operations.arguments import Arguments
from service.store.contract import Store, Version
from service.store.subscriptions import Happening

__all__ = ["MOST", "Telling", "Wanted", "telling", "wanted"]

MOST = 500
"""Events in one answer."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which events are asked for, both numbers included, and how much of them."""

    low: int
    high: int
    content: Content


@dataclass(slots=True)
class Telling:
    """What is told of some events: they, history entries of what they are about, and whom that is about."""

    events: list[TopicEvent] = field(default_factory=list)
    resources: dict[str, Item] = field(default_factory=dict)
    people: dict[str, None] = field(default_factory=dict)


def wanted(given: Arguments, newest: int, usual: Content) -> Wanted:
    """Read what ``$events`` is called with; InvalidInput names a parameter that can't be used."""
    low, high = (_number(given, name) for name in ("eventsSinceNumber", "eventsUntilNumber"))
    said = given.get("content", [""])[0]
    content = next((one for one in CONTENTS if one == said), None)
    low, high = max(low or 1, 1), newest if high is None else min(high, newest)
    if said and content is None:
        raise InvalidInput(
            f"Parameter 'content' must be one of {', '.join(CONTENTS)}.", expression="http.content"
        )
    return Wanted(low, min(high, low + MOST - 1), content or usual)


def _number(given: Arguments, name: str) -> int | None:
    text = given.get(name, [""])[0]
    if text and not (text.isascii() and text.isdigit() and len(text) < 19):
        raise InvalidInput(f"Parameter '{name}' must be the number of an event.", expression=f"http.{name}")
    return int(text) if text else None


async def telling(  # noqa: PLR0913 - what is told, of what, to whom
    store: Store,
    kept: Sequence[Happening],
    asked: Wanted,
    topic: Topic,
    *,
    may: Callable[[str], bool],
    base: str,
) -> Telling:
    """Answer what is told of events; ``store`` and ``may`` (a type) are those of whom it is told to.

    Of an event they may not know more of, or whose resource was taken away, there is its number alone.
    """
    by_number: Mapping[int, Happening] = {one.number: one for one in kept}
    told = Telling()
    for number in range(asked.low, asked.high + 1):
        one = by_number.get(number)
        occurred = instant(one.occurred) if one else ""
        about = await _about(store, one, may) if one and asked.content != "empty" else None
        if about is None:
            told.events.append(TopicEvent(number, occurred))
            continue
        besides = await _besides(store, about, topic, may)
        told.events.append(TopicEvent(number, occurred, _address(base, about), _addresses(base, besides)))
        for version in (about, *besides):
            _add(told, version, base, whole=asked.content == "full-resource")
    return told


async def _about(store: Store, one: Happening, may: Callable[[str], bool]) -> Version | None:
    version = await store.vread(one.type, one.id, one.version) if may(one.type) else None
    return None if version is None or version.deleted else version


async def _besides(store: Store, about: Version, topic: Topic, may: Callable[[str], bool]) -> list[Version]:
    """What the topic includes, as it is now."""
    names = included(topic.includes, extract(reread(about.content))) if topic.includes else []
    split = [name.split("/") for name in names]
    found = [await store.read(type_, id_) for type_, id_ in split if may(type_)]
    return [one for one in found if one is not None and not one.deleted]


def _add(told: Telling, version: Version, base: str, *, whole: bool) -> None:
    patient = version.id if version.type == "Patient" else extract(reread(version.content)).patient
    if patient:
        told.people[patient] = None
    if whole:
        told.resources[f"{version.type}/{version.id}/{version.version}"] = history_item(version, base)


def _address(base: str, version: Version) -> str:
    return f"{base}/{version.type}/{version.id}"


def _addresses(base: str, versions: Sequence[Version]) -> tuple[str, ...]:
    return tuple(_address(base, one) for one in versions)
