"""What readers of the changes keep: how far they have read, and what is left to be delivered.

SQL that every engine understands; times are UTC milliseconds. Each statement is a transaction of its own, and
doing one again does no harm: numbers only rise, and who holds a patient is asked for in the statement itself.
"""

from collections.abc import Collection, Mapping, Sequence
from typing import NamedTuple

from service.store.asking import Asked, Done
from service.store.erasing import Name

__all__ = [
    "Claim",
    "Delivered",
    "Noted",
    "acknowledge",
    "advance",
    "claim",
    "delivered",
    "forget",
    "hold_on",
    "keep",
    "note",
    "owed",
    "parked",
    "patients",
    "put_off",
    "read_up_to",
    "receivers",
    "reopen",
    "settled",
    "taken_back",
    "whose",
]

_ROWS = 200
"""So many rows go into one statement."""


class Noted(NamedTuple):
    """A change of a patient's: its number, and when it was written."""

    sequence: int
    written: int


class Claim(NamedTuple):
    """A patient whom one worker holds: what is told up to ``noted`` is to be delivered."""

    patient: str
    noted: int
    tries: int


class Delivered(NamedTuple):
    """What a destination has of a resource: which version, and what its sender noted of it (JSON)."""

    type: str
    id: str
    version: int
    there: str


async def read_up_to(store: Asked, name: str) -> int:
    """Answer the number up to which a reader has read, 0 for one who has not begun."""
    rows = await store.ask(("SELECT sequence FROM feed WHERE name = ?", [name]))
    return int(rows[0][0]) if rows else 0


async def advance(store: Done, name: str, sequence: int) -> None:
    """Note that a reader has read everything up to a number; never back."""
    sql = (
        "INSERT INTO feed (name, sequence) VALUES (?, ?) ON CONFLICT (name) DO UPDATE SET sequence = "
        "CASE WHEN feed.sequence > excluded.sequence THEN feed.sequence ELSE excluded.sequence END"
    )
    await store.do((sql, [name, sequence]))


async def note(store: Done, destination: str, changes: Mapping[str, Noted]) -> None:
    """Note that there is something to deliver of some patients (the empty id: of nobody)."""
    rows = list(changes.items())
    for at in range(0, len(rows), _ROWS):
        some = rows[at : at + _ROWS]
        marks = ", ".join(["(?, ?, 0, ?, ?, 0, 0, '', 0, 0, '')"] * len(some))
        sql = (
            "INSERT INTO delivery (destination, patient, delivered, noted, since, due, tries, holder, held, "
            f"parked, problem) VALUES {marks} ON CONFLICT (destination, patient) DO UPDATE SET "
            "since = CASE WHEN delivery.noted > delivery.delivered "
            "THEN delivery.since ELSE excluded.since END, "
            "noted = CASE WHEN delivery.noted > excluded.noted THEN delivery.noted ELSE excluded.noted END"
        )
        values = [value for patient, one in some for value in (destination, patient, *one)]
        await store.do((sql, values))


async def claim(  # noqa: PLR0913 - the values of one statement
    store: Done, destination: str, holder: str, *, now: int, until: int, most: int
) -> list[Claim]:
    """Take up to ``most`` patients on whom there is work; of all who ask at once one gets each.

    What is nobody's (people of the clinic, forms) comes first, as what is a patient's refers to it; unless it
    was refused before: then nobody waits for it.
    """
    sql = (
        "UPDATE delivery SET holder = ?, held = ? WHERE destination = ? AND held < ? AND patient IN "
        "(SELECT d.patient FROM delivery d WHERE d.destination = ? AND d.noted > d.delivered "
        "AND d.parked = 0 "
        "AND d.due <= ? AND d.held < ? AND (d.patient = '' OR NOT EXISTS (SELECT 1 FROM delivery n "
        "WHERE n.destination = d.destination AND n.patient = '' AND n.noted > n.delivered AND n.parked = 0 "
        "AND n.tries = 0)) "
        f"ORDER BY d.due, d.patient LIMIT {most:d}) RETURNING patient, noted, tries"
    )
    values = [holder, until, destination, now, destination, now, now]
    return [Claim(*row) for row in await store.do((sql, values))]


async def hold_on(store: Done, destination: str, patient: str, holder: str, until: int) -> bool:
    """Hold a patient for longer; whether the worker still does."""
    sql = (
        "UPDATE delivery SET held = ? WHERE destination = ? AND patient = ? AND holder = ? RETURNING patient"
    )
    return bool(await store.do((sql, [until, destination, patient, holder])))


async def acknowledge(store: Done, destination: str, held: Claim, holder: str, now: int) -> None:
    """Let a patient go of whom everything is there."""
    sql = (
        "UPDATE delivery SET delivered = ?, since = ?, due = 0, tries = 0, holder = '', held = 0, "
        "problem = '' "
        "WHERE destination = ? AND patient = ? AND holder = ?"
    )
    await store.do((sql, [held.noted, now, destination, held.patient, holder]))


async def put_off(  # noqa: PLR0913 - the values of one statement
    store: Done,
    destination: str,
    held: Claim,
    holder: str,
    *,
    due: int,
    tries: int,
    parked: bool,
    problem: str,
) -> None:
    """Let a patient go until ``due``, or, ``parked``, until somebody says so; ``problem`` is JSON."""
    sql = (
        "UPDATE delivery SET due = ?, tries = ?, parked = ?, problem = ?, holder = '', held = 0 "
        "WHERE destination = ? AND patient = ? AND holder = ?"
    )
    values = [due, tries, int(parked), problem, destination, held.patient, holder]
    await store.do((sql, values))


async def parked(store: Asked, destination: str) -> list[tuple[str, str]]:
    """Answer of whom nothing is tried until somebody says so, and what was met (JSON)."""
    sql = (
        "SELECT patient, problem FROM delivery WHERE destination = ? AND parked = 1 AND noted > delivered "
        "ORDER BY patient"
    )
    return [(patient, problem) for patient, problem in await store.ask((sql, [destination]))]


async def keep(
    store: Done, destination: str, patient: str, holder: str, receipts: Sequence[Delivered]
) -> None:
    """Note what a destination has now, as long as the worker holds the patient (who may have been erased)."""
    for at in range(0, len(receipts), _ROWS):
        some = receipts[at : at + _ROWS]
        marks = ", ".join(["(?, ?, ?, ?, CAST(? AS BIGINT), ?)"] * len(some))
        sql = (
            "INSERT INTO delivered (destination, type, id, patient, version, there) "
            f"SELECT * FROM (VALUES {marks}) AS receipt WHERE EXISTS "
            "(SELECT 1 FROM delivery WHERE destination = ? AND patient = ? AND holder = ?) "
            "ON CONFLICT (destination, type, id) DO UPDATE SET patient = excluded.patient, "
            "version = excluded.version, there = excluded.there"
        )
        rows = [v for one in some for v in (destination, one.type, one.id, patient, one.version, one.there)]
        await store.do((sql, [*rows, destination, patient, holder]))


async def forget(store: Done, destination: str, names: Sequence[Name]) -> None:
    """Note that a destination no longer has some resources."""
    for at in range(0, len(names), _ROWS):
        some = names[at : at + _ROWS]
        sql = f"DELETE FROM delivered WHERE destination = ? AND {_among(some)}"
        await store.do((sql, [destination, *_flat(some)]))


async def owed(
    store: Asked, destination: str, patient: str, types: Collection[str]
) -> list[tuple[str, str, int, str]]:
    """Answer what there is of a patient that a destination has not, or not in this version.

    Type, id, version, and text of the newest version. The empty id stands for what is nobody's.
    """
    owner = "= (SELECT key FROM word WHERE text = ?)" if patient else "= 0"
    sql = (
        "SELECT c.type, c.id, c.version, CAST(r.content AS TEXT) FROM current c "
        "JOIN resource r ON r.sequence = c.sequence LEFT JOIN delivered d ON d.destination = ? "
        "AND d.type = c.type AND d.id = c.id "
        f"WHERE c.owner {owner} AND c.type IN ({', '.join('?' * len(types))}) AND NOT c.deleted "
        "AND (d.version IS NULL OR d.version <> c.version) ORDER BY c.sequence"
    )
    whose_ = [f"Patient/{patient}"] if patient else []
    rows = await store.ask((sql, [destination, *whose_, *types]))
    return [(type_, id_, version, text) for type_, id_, version, text in rows]


async def patients(store: Asked, destination: str) -> list[str]:
    """Answer of whom something was noted for a destination."""
    sql = "SELECT patient FROM delivery WHERE destination = ? ORDER BY patient"
    return [row[0] for row in await store.ask((sql, [destination]))]


async def settled(
    store: Asked, destination: str, patient: str, noted: str = ""
) -> list[tuple[Delivered, str]]:
    """Answer what a destination has of a patient as it is now, with what that says.

    Of that only where the text ``noted`` stands in what its sender noted.
    """
    sql = (
        "SELECT d.type, d.id, d.version, d.there, CAST(r.content AS TEXT) FROM delivered d "
        "JOIN current c ON c.type = d.type AND c.id = d.id JOIN resource r ON r.sequence = c.sequence "
        "WHERE d.patient = ? AND d.destination = ? AND d.there LIKE ? AND d.version = c.version "
        "AND NOT c.deleted ORDER BY c.sequence"
    )
    rows = await store.ask((sql, [patient, destination, f"%{noted}%"]))
    return [(Delivered(*row), text) for *row, text in rows]


async def reopen(store: Done, destination: str, patient: str, stale: Sequence[Delivered]) -> None:
    """Have a patient delivered again, of which some is no longer there as it was noted."""
    for one in stale:
        sql = "UPDATE delivered SET version = -1, there = ? WHERE destination = ? AND type = ? AND id = ?"
        await store.do((sql, [one.there, destination, one.type, one.id]))
    sql = (
        "UPDATE delivery SET delivered = noted - 1, parked = 0, tries = 0, due = 0 "
        "WHERE destination = ? AND patient = ?"
    )
    await store.do((sql, [destination, patient]))


async def taken_back(store: Asked, destination: str, patient: str) -> list[tuple[str, str, int]]:
    """Answer type, id and deletion of what a destination has of a patient and was deleted here since."""
    sql = (
        "SELECT c.type, c.id, c.version FROM delivered d JOIN current c ON c.type = d.type AND c.id = d.id "
        "WHERE d.patient = ? AND d.destination = ? AND c.deleted ORDER BY c.sequence"
    )
    rows = await store.ask((sql, [patient, destination]))
    return [(type_, id_, version) for type_, id_, version in rows]


async def receivers(store: Asked, patient: str) -> list[str]:
    """Answer the names of destinations that something of a patient was sent to."""
    sql = (
        "SELECT DISTINCT destination FROM delivered WHERE patient = ? "
        """AND there NOT LIKE '{"left_out"%' ORDER BY destination"""
    )
    return [row[0] for row in await store.ask((sql, [patient]))]


async def delivered(store: Asked, destination: str, names: Collection[Name]) -> dict[Name, Delivered]:
    """Answer what a destination has of some resources."""
    found: dict[Name, Delivered] = {}
    every = list(names)
    for at in range(0, len(every), _ROWS):
        some = every[at : at + _ROWS]
        sql = f"SELECT type, id, version, there FROM delivered WHERE destination = ? AND {_among(some)}"
        for row in await store.ask((sql, [destination, *_flat(some)])):
            found[Name(row[0], row[1])] = Delivered(*row)
    return found


async def whose(store: Asked, destination: str, names: Collection[Name]) -> dict[Name, str]:
    """Answer with which patient some resources went to a destination; those it never had are left out."""
    if not names:
        return {}
    sql = f"SELECT type, id, patient FROM delivered WHERE destination = ? AND {_among(names)}"
    rows = await store.ask((sql, [destination, *_flat(names)]))
    return {Name(type_, id_): patient for type_, id_, patient in rows}


def _among(names: Collection[Name]) -> str:
    return f"(type, id) IN (VALUES {', '.join(['(?, ?)'] * len(names))})"


def _flat(names: Collection[Name]) -> list[str]:
    return [text for name in names for text in name]
