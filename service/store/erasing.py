"""Finding and taking away for good what a store holds: statements that every engine understands."""

from collections.abc import Collection, Sequence
from typing import NamedTuple, TypeVar

from service.store.asking import Asked
from service.store.contract import Version
from service.store.search_match import Statement

__all__ = [
    "Name",
    "cut",
    "drop",
    "forget_person",
    "is_escaped",
    "last_sequence",
    "mentioned",
    "often_written",
    "referring",
    "texts",
    "versions",
]

T = TypeVar("T")

_AT_ONCE = 200
_ESCAPES = ("\\u", "\\/")
"""A text in which an id may be written with JSON's escapes."""
_OF_TYPE = "c.type || '' = ?"
"""Not by the index of types, which SQLite would take: what else is asked for finds fewer rows."""
_KEPT_BY_JOBS = ("summary", "touched", "delivery", "delivered", "subscription_event")


class Name(NamedTuple):
    """A resource's type and id."""

    type: str
    id: str

    def __str__(self) -> str:
        """As a reference has it."""
        return f"{self.type}/{self.id}"


async def last_sequence(store: Asked) -> int:
    """Answer the number of the newest version, 0 for none."""
    return (await store.ask(("SELECT coalesce(max(sequence), 0) FROM resource", [])))[0][0] or 0


async def mentioned(store: Asked, texts: Sequence[str], after: int, until: int) -> list[Name]:
    """Answer what has a version, old ones too, with such a text in it, or with an escape that may hide it.

    Of versions whose number is above ``after`` and at most ``until``. Upper and lower case may be mixed up.
    """
    wanted = [f"%{one}%" for one in (*texts, *_ESCAPES)]
    found = " OR ".join(["CAST(r.content AS TEXT) LIKE ? ESCAPE '!'"] * len(wanted))
    sql = (
        "SELECT DISTINCT c.type, c.id FROM resource r JOIN current c ON c.key = r.key "
        f"WHERE r.sequence > ? AND r.sequence <= ? AND ({found})"
    )
    return [Name(*row) for row in await store.ask((sql, [after, until, *wanted]))]


async def texts(store: Asked, after: int, until: int) -> list[tuple[Name, str]]:
    """Answer what the versions whose number is above ``after`` and at most ``until`` say."""
    sql = (
        "SELECT c.type, c.id, CAST(r.content AS TEXT) FROM resource r JOIN current c ON c.key = r.key "
        "WHERE r.sequence > ? AND r.sequence <= ?"
    )
    return [(Name(type_, id_), text) for type_, id_, text in await store.ask((sql, [after, until]))]


def is_escaped(text: str) -> bool:
    """Whether an id may be written in it with JSON's escapes."""
    return any(one in text for one in _ESCAPES)


async def referring(store: Asked, type_: str, targets: Collection[str]) -> list[Name]:
    """Answer the current resources of a type that refer to any of these (``Type/id``)."""
    found: dict[Name, None] = {}
    for some in _parts(sorted(targets)):
        sql = (
            "SELECT DISTINCT c.type, c.id FROM reference f JOIN current c ON c.key = f.key "
            f"WHERE f.target IN ({', '.join('?' * len(some))}) AND {_OF_TYPE} AND NOT c.deleted"
        )
        found |= dict.fromkeys(Name(*row) for row in await store.ask((sql, [*some, type_])))
    return list(found)


async def often_written(store: Asked, type_: str, after: int = 0) -> list[Name]:
    """Answer the resources of a type that were deleted, or have older versions; written after a number."""
    sql = f"SELECT type, id FROM current c WHERE sequence > ? AND {_OF_TYPE} AND (deleted OR version > 1)"
    return [Name(*row) for row in await store.ask((sql, [after, type_]))]


async def versions(store: Asked, names: Sequence[Name]) -> dict[Name, list[Version]]:
    """Answer every version of some resources, oldest first; whose they are is not told."""
    found: dict[Name, list[Version]] = {}
    for some in _parts(names):
        chosen, values = _chosen(some)
        sql = (
            "SELECT r.sequence, c.type, c.id, r.version, r.last_updated, r.method, CAST(r.content AS TEXT) "
            f"FROM {chosen} JOIN resource r ON r.key = c.key ORDER BY r.key, r.version"
        )
        for sequence, type_, id_, number, updated, method, text in await store.ask((sql, values)):
            version = Version(sequence, type_, id_, number, updated, method, text.encode())
            found.setdefault(Name(type_, id_), []).append(version)
    return found


async def drop(store: Asked, names: Sequence[Name]) -> None:
    """Take resources away with all their versions; what they are found by must be gone already."""
    for some in _parts(names):
        chosen, values = _chosen(some)
        for table in ("resource", "current"):
            await store.ask((f"DELETE FROM {table} WHERE key IN (SELECT c.key FROM {chosen})", values))


async def cut(store: Asked, name: Name, numbers: Sequence[int]) -> None:
    """Take some versions of a resource away; the newest must not be among them."""
    if not numbers:
        return
    sql = (
        "DELETE FROM resource WHERE key = (SELECT key FROM current WHERE type = ? AND id = ?) "
        f"AND version IN ({', '.join('?' * len(numbers))})"
    )
    await store.ask((sql, [*name, *numbers]))


async def forget_person(store: Asked, patient: str) -> int:
    """Take away the visit keys and what jobs keep of a patient; answers how many visits."""
    for table in _KEPT_BY_JOBS:
        await store.ask((f"DELETE FROM {table} WHERE patient = ?", [patient]))
    return len(await store.ask(("DELETE FROM visit_record WHERE patient = ? RETURNING value", [patient])))


def _chosen(names: Sequence[Name]) -> Statement:
    """The rows of ``current`` of these; joined, as SQLite looks at all rows for one IN a list of pairs."""
    rows = ", ".join(["(?, ?)"] * len(names))
    sql = f"(VALUES {rows}) AS n JOIN current c ON c.type = n.column1 AND c.id = n.column2"
    return sql, [text for name in names for text in name]


def _parts(names: Sequence[T]) -> list[Sequence[T]]:
    return [names[at : at + _AT_ONCE] for at in range(0, len(names), _AT_ONCE)]
