"""What the service keeps of subscriptions, in SQL that every engine understands; times are UTC milliseconds.

Any number of processes work at them: whoever holds a row works at that subscription until its time is over.
Events are numbered by the one statement that writes them, so that a process which is killed at any moment
leaves none out and numbers none twice.
"""

from collections.abc import Sequence
from typing import NamedTuple

from service.store.asking import Asked, Done

__all__ = [
    "Happening",
    "Kept",
    "Written",
    "add_events",
    "claimed",
    "events_between",
    "failed",
    "forgotten",
    "hurried",
    "keep",
    "kept",
    "looked_at",
    "numbered",
    "restarted",
    "stopped",
    "taken",
    "written",
]

_COLUMNS = (
    "s.asker, s.seen, s.events, s.sent, s.stopped, s.contact, s.since, s.due, s.tries, s.held, s.problem"
)
_AT_ONCE = 500
_MOST_KEPT = 10_000
"""Events of one subscription that can be asked for again."""


class Kept(NamedTuple):
    """A current Subscription, and what is kept of it; ``asker`` is empty where nothing is."""

    id: str
    version: int
    sequence: int
    asker: str
    seen: int
    events: int
    sent: int
    stopped: int
    contact: int
    since: int
    due: int
    tries: int
    held: int
    problem: str


class Written(NamedTuple):
    """A version that may be an event: ``sequence`` is its number."""

    sequence: int
    type: str
    id: str
    version: int


class Happening(NamedTuple):
    """One event as it is kept; ``sequence`` is the number of the version that caused it."""

    number: int
    sequence: int
    type: str
    id: str
    version: int
    patient: str
    occurred: int


async def keep(txn: Asked, subscription: str, sequence: int, asker: str, *, fresh: bool) -> None:
    """Keep who wrote a subscription; of a fresh one, what is written after ``sequence`` counts."""
    for table in ("subscription_event", "subscriber") if fresh else ():
        await txn.ask((f"DELETE FROM {table} WHERE subscription = ? RETURNING subscription", [subscription]))
    sql = (
        "INSERT INTO subscriber (subscription, asker, seen, events, sent, stopped, contact, since, due, "
        "tries, holder, held, problem) VALUES (?, ?, ?, 0, 0, 0, 0, 0, 0, 0, '', 0, '') "
        "ON CONFLICT (subscription) DO UPDATE SET asker = excluded.asker, since = 0, due = 0, tries = 0 "
        "RETURNING subscription"
    )
    await txn.ask((sql, [subscription, asker, sequence]))


async def kept(store: Asked, subscription: str = "") -> list[Kept]:
    """Answer all current Subscriptions, or one of them."""
    sql = (
        f"SELECT c.id, c.version, c.sequence, {_COLUMNS} FROM current c "
        "LEFT JOIN subscriber s ON s.subscription = c.id WHERE c.type = 'Subscription' AND NOT c.deleted"
    )
    one = " AND c.id = ?" if subscription else ""
    rows = await store.ask((f"{sql}{one} ORDER BY c.id", [subscription] if subscription else []))
    return [Kept(*row[:3], *(row[3:] if row[3] is not None else ("", *[0] * 9, ""))) for row in rows]


async def claimed(store: Done, subscription: str, holder: str, now: int, until: int) -> bool:
    """Whether nobody else works at it; then nobody will until ``until``."""
    sql = (
        "UPDATE subscriber SET holder = ?, held = ? "
        "WHERE subscription = ? AND (held < ? OR holder = ?) RETURNING held"
    )
    return bool(await store.do((sql, [holder, until, subscription, now, holder])))


async def written(store: Asked, types: Sequence[str], after: int, until: int) -> tuple[list[Written], int]:
    """Answer some versions of these types, deletions included, and up to which number these are all."""
    sql = (
        "SELECT r.sequence, c.type, c.id, r.version FROM resource r JOIN current c ON c.key = r.key "
        f"WHERE r.sequence > ? AND r.sequence <= ? AND c.type IN ({', '.join('?' * len(types))}) "
        f"ORDER BY r.sequence LIMIT {_AT_ONCE}"
    )
    found = [Written(*row) for row in await store.ask((sql, [after, until, *types]))]
    return found, found[-1].sequence if len(found) == _AT_ONCE else until


async def numbered(store: Asked, subscription: str) -> tuple[int, int]:
    """Answer the newest number of an event, and of the version that caused it; 0 for none."""
    sql = (
        "SELECT coalesce(max(number), 0), coalesce(max(sequence), 0) FROM subscription_event "
        "WHERE subscription = ?"
    )
    ((number, sequence),) = await store.ask((sql, [subscription]))
    return number, sequence


async def add_events(store: Done, subscription: str, events: Sequence[Happening]) -> None:
    """Keep events, all or none; an error if one of the numbers is taken."""
    row = f"({', '.join('?' * 8)})"
    sql = (
        "INSERT INTO subscription_event "
        "(subscription, number, sequence, type, id, version, patient, occurred) "
        f"VALUES {', '.join([row] * len(events))} RETURNING number"
    )
    await store.do((sql, [value for one in events for value in (subscription, *one)]))


async def looked_at(store: Done, subscription: str, seen: int, events: int) -> None:
    """Everything up to a number was looked at, and there were so many events."""
    sql = (
        "UPDATE subscriber SET seen = ?, events = ? WHERE subscription = ? AND seen <= ? AND events <= ? "
        "RETURNING seen"
    )
    await store.do((sql, [seen, events, subscription, seen, events]))
    if events > _MOST_KEPT:
        sql = "DELETE FROM subscription_event WHERE subscription = ? AND number <= ? RETURNING number"
        await store.do((sql, [subscription, events - _MOST_KEPT]))


async def events_between(store: Asked, subscription: str, low: int, high: int) -> list[Happening]:
    """Answer the events from one number to another, both included, as far as they are kept."""
    sql = (
        "SELECT number, sequence, type, id, version, patient, occurred FROM subscription_event "
        "WHERE subscription = ? AND number >= ? AND number <= ? ORDER BY number"
    )
    return [Happening(*row) for row in await store.ask((sql, [subscription, low, high]))]


async def taken(store: Done, subscription: str, sent: int, now: int) -> None:
    """The endpoint took everything up to an event."""
    sql = (
        "UPDATE subscriber SET sent = ?, contact = ?, since = 0, due = 0, tries = 0, held = 0, problem = '' "
        "WHERE subscription = ? RETURNING sent"
    )
    await store.do((sql, [sent, now, subscription]))


async def failed(store: Done, subscription: str, now: int, due: int, problem: str) -> None:
    """The endpoint did not take something; it is tried again at ``due``."""
    sql = (
        "UPDATE subscriber SET since = CASE since WHEN 0 THEN ? ELSE since END, due = ?, tries = tries + 1, "
        "held = 0, problem = ? WHERE subscription = ? RETURNING tries"
    )
    await store.do((sql, [now, due, problem, subscription]))


async def restarted(store: Done, subscription: str, seen: int, sent: int, now: int) -> None:
    """The endpoint took a handshake: what was not sent before is left to it to ask for."""
    sql = (
        "UPDATE subscriber SET seen = ?, sent = ?, stopped = 0, contact = ?, since = 0, due = 0, tries = 0, "
        "problem = '' WHERE subscription = ? RETURNING sent"
    )
    await store.do((sql, [seen, sent, now, subscription]))


async def stopped(store: Done, subscription: str) -> None:
    """It is off: what is written from now on is no event of it."""
    sql = "UPDATE subscriber SET stopped = 1 WHERE subscription = ? RETURNING stopped"
    await store.do((sql, [subscription]))


async def hurried(store: Done, subscription: str) -> bool:
    """Put nothing off any more; whether there is such a subscription."""
    sql = "UPDATE subscriber SET due = 0 WHERE subscription = ? RETURNING due"
    return bool(await store.do((sql, [subscription])))


async def forgotten(store: Done) -> None:
    """Take away what is kept of subscriptions that were deleted."""
    gone = (
        "NOT EXISTS (SELECT 1 FROM current c WHERE c.type = 'Subscription' AND c.id = {0}.subscription "
        "AND NOT c.deleted)"
    )
    for table in ("subscription_event", "subscriber"):
        await store.do((f"DELETE FROM {table} WHERE {gone.format(table)} RETURNING subscription", []))
