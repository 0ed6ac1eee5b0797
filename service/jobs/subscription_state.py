"""How subscriptions stand, for who runs the service; nothing in it is about a patient."""

from dataclasses import dataclass
from datetime import datetime
from urllib.parse import urlsplit

from service.errors import NotFound
from service.fhir.datetimes import milliseconds
from service.fhir.json import Tree, reread
from service.store.entries import Opened
from service.store.subscriptions import Kept, events_between, hurried, kept

__all__ = ["SubscriptionState", "hurry", "subscription_states"]


@dataclass(frozen=True, slots=True)
class SubscriptionState:
    """One subscription: its topic (the last part of the canonical), the host of its endpoint, its status.

    ``events`` there were in all; ``waiting`` of them have not been taken, the oldest for ``oldest_s``
    seconds. ``quiet_s`` are the seconds since its endpoint took something, None if it never did. ``tries``
    were in vain since; ``problem`` is what the last one met.
    """

    id: str
    topic: str
    host: str
    status: str
    events: int
    waiting: int
    oldest_s: float
    quiet_s: float | None
    tries: int
    problem: str


async def subscription_states(store: Opened, now: datetime) -> list[SubscriptionState]:
    """Answer how each stands, by id."""
    found = []
    for one in await kept(store):
        version = await store.read("Subscription", one.id)
        if version is not None and not version.deleted:
            found.append(await _state(store, one, reread(version.content), milliseconds(now)))
    return found


async def hurry(store: Opened, id_: str) -> None:
    """Try again at once what is put off; NotFound if there is no such subscription."""
    if not await hurried(store, id_):
        raise NotFound("There is no such subscription.")


async def _state(store: Opened, one: Kept, tree: Tree, now: int) -> SubscriptionState:
    status = str(tree.get("status", ""))
    waiting = one.events - one.sent if status == "active" else 0
    oldest = await events_between(store, one.id, one.sent + 1, one.sent + 1) if waiting else []
    return SubscriptionState(
        one.id,
        str(tree.get("criteria", "")).rpartition("/")[2],
        urlsplit(str(tree.get("channel", {}).get("endpoint", ""))).hostname or "",
        status,
        one.events,
        waiting,
        max(0, now - oldest[0].occurred) / 1_000 if oldest else 0.0,
        max(0, now - one.contact) / 1_000 if one.contact else None,
        one.tries,
        str(tree.get("error", "")) or one.problem,
    )
