"""How destinations stand: SQL that every engine understands, one statement a transaction; UTC milliseconds.

A destination that nobody has begun here (it came with a backup) is paused: a copy of a service must not send
to where the first one does until somebody says so.
"""

from typing import NamedTuple

from service.store.asking import Asked, Done

__all__ = [
    "Standing",
    "Waiting",
    "arrived",
    "begin",
    "end",
    "met",
    "pause",
    "redrive",
    "replay",
    "standing_of",
    "standings",
    "waiting",
]

_TABLES = (("delivery", "destination"), ("delivered", "destination"), ("destination", "name"))


_HOUR_MS = 3_600_000
_STANDINGS = (
    "SELECT name, paused, failures, rests, sent, failed, problem, hour, lately, before FROM destination"
)


class Standing(NamedTuple):
    """How a destination stands; see the table ``destination``."""

    paused: bool = True
    failures: int = 0
    rests: int = 0
    sent: int = 0
    failed: int = 0
    problem: str = ""
    hour: int = 0
    lately: int = 0
    before: int = 0

    def hourly(self, now: int) -> tuple[int, int]:
        """Resources that arrived in this hour, and in the one before; ``now`` are UTC milliseconds."""
        passed = now // _HOUR_MS - self.hour
        return {0: (self.lately, self.before), 1: (0, self.lately)}.get(passed, (0, 0))


class Waiting(NamedTuple):
    """What waits for a destination: patients, since when the oldest, how many of them are parked."""

    patients: int = 0
    since: int = 0
    parked: int = 0


async def begin(store: Done, name: str) -> None:
    """Begin to deliver to a destination, unless that has begun."""
    sql = (
        "INSERT INTO destination (name, paused, failures, rests, sent, failed, problem) "
        "VALUES (?, 0, 0, 0, 0, 0, '') ON CONFLICT (name) DO NOTHING"
    )
    await store.do((sql, [name]))


async def pause(store: Done, name: str, *, paused: bool) -> None:
    """Send nothing any more, or again: then at once, whatever was met before."""
    sql = (
        "INSERT INTO destination (name, paused, failures, rests, sent, failed, problem) "
        "VALUES (?, ?, 0, 0, 0, 0, '') ON CONFLICT (name) DO UPDATE SET paused = excluded.paused, "
        "failures = 0, rests = 0"
    )
    await store.do((sql, [name, int(paused)]))


async def arrived(store: Done, name: str, resources: int, now: int) -> None:
    """Note that something arrived; ``now`` are UTC milliseconds."""
    hour = now // _HOUR_MS
    sql = (
        "UPDATE destination SET failures = 0, rests = 0, problem = '', sent = sent + ?, "
        "before = CASE hour WHEN ? THEN before WHEN ? THEN lately ELSE 0 END, "
        "lately = CASE hour WHEN ? THEN lately ELSE 0 END + ?, hour = ? WHERE name = ?"
    )
    await store.do((sql, [resources, hour, hour - 1, hour, resources, hour, name]))


async def met(store: Done, name: str, problem: str, *, whole: bool, rests: int = 0) -> None:
    """Note a try in vain; ``whole``: it was the destination as such, which is left alone until ``rests``."""
    sql = (
        "UPDATE destination SET failed = failed + 1, failures = failures + ?, problem = ?, "
        "rests = CASE WHEN rests > ? THEN rests ELSE ? END WHERE name = ?"
    )
    await store.do((sql, [int(whole), problem, rests, rests, name]))


async def standings(store: Asked) -> dict[str, Standing]:
    """Answer how destinations stand, by name."""
    rows = await store.ask((_STANDINGS, []))
    return {name: Standing(bool(paused), *rest) for name, paused, *rest in rows}


async def standing_of(store: Asked, name: str) -> Standing:
    """Answer how one destination stands."""
    rows = await store.ask((f"{_STANDINGS} WHERE name = ?", [name]))
    return Standing(bool(rows[0][1]), *rows[0][2:]) if rows else Standing()


async def waiting(store: Asked) -> dict[str, Waiting]:
    """Answer what waits, by destination."""
    sql = (
        "SELECT destination, count(*), min(since), CAST(sum(parked) AS BIGINT) FROM delivery "
        "WHERE noted > delivered GROUP BY destination"
    )
    return {name: Waiting(*rest) for name, *rest in await store.ask((sql, []))}


async def redrive(store: Done, name: str, patient: str | None = None) -> int:
    """Try again at once what is parked or put off, of one patient or of all; answers of how many."""
    chosen, values = (" AND patient = ?", [patient]) if patient is not None else ("", [])
    sql = (
        "UPDATE delivery SET parked = 0, tries = 0, due = 0 "
        f"WHERE destination = ? AND noted > delivered{chosen} RETURNING patient"
    )
    return len(await store.do((sql, [name, *values])))


async def replay(store: Done, name: str, since: int) -> int:
    """Send again what was written at or after a time and was sent before; answers of how many patients."""
    newer = "SELECT c.type, c.id FROM current c WHERE c.updated >= ?"
    stale = f"UPDATE delivered SET version = -1 WHERE destination = ? AND (type, id) IN ({newer})"
    await store.do((stale, [name, since]))
    sql = (
        "UPDATE delivery SET delivered = noted - 1, parked = 0, tries = 0, due = 0 WHERE destination = ? "
        "AND patient IN (SELECT d.patient FROM delivered d WHERE d.destination = ? AND d.version = -1) "
        "RETURNING patient"
    )
    return len(await store.do((sql, [name, name])))


async def end(store: Done, name: str, feed: str) -> None:
    """Forget all that is kept of a destination."""
    for table, column in _TABLES:
        await store.do((f"DELETE FROM {table} WHERE {column} = ?", [name]))
    await store.do(("DELETE FROM feed WHERE name = ?", [feed]))
