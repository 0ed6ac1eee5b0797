"""What has been kept long enough, in SQL that every engine understands; times are UTC milliseconds."""

from collections.abc import Sequence
from typing import Any, NamedTuple

from service.fhir.datetimes import instant
from service.store.asking import Asked
from service.store.erasing import Name

__all__ = ["Old", "deleted_before", "newest_write", "superseded_before", "untouched_since"]

_AT_ONCE = 200
_PEOPLE = 1_000
"""Each such many people take one look through all texts."""
_HIGHEST = 1 << 62


class Old(NamedTuple):
    """Versions of one resource that have been kept long enough; ``place`` goes on behind them."""

    place: int
    name: Name
    numbers: list[int]


async def newest_write(store: Asked) -> str:
    """Answer when the newest version was written, as an instant; empty if there is none."""
    sql = "SELECT last_updated FROM resource ORDER BY sequence DESC LIMIT 1"
    rows = await store.ask((sql, []))
    return str(rows[0][0]) if rows else ""


async def untouched_since(store: Asked, before: int, after: str) -> list[str]:
    """Answer some Patients, by id behind ``after``, about whom nothing was written since a time."""
    sql = (
        "SELECT c.id FROM current c WHERE c.type = 'Patient' AND NOT c.deleted AND c.id > ? "
        "AND c.updated < ? AND NOT EXISTS (SELECT 1 FROM reference f JOIN current o ON o.key = f.key "
        f"WHERE f.target = 'Patient/' || c.id AND o.updated >= ?) ORDER BY c.id LIMIT {_PEOPLE}"
    )
    return [row[0] for row in await store.ask((sql, [after, before, before]))]


async def deleted_before(store: Asked, before: int, after: int, until: int | None = None) -> list[Old]:
    """Answer versions of some resources that were deleted before a time: all but the deletion.

    Of resources whose key is above ``after``, and at most ``until``.
    """
    sql = (
        "SELECT c.key, c.type, c.id, r.version FROM resource r JOIN "
        "(SELECT c.key, c.type, c.id, c.version FROM current c WHERE c.key > ? AND c.key <= ? "
        "AND c.deleted AND c.updated < ? AND EXISTS "
        "(SELECT 1 FROM resource o WHERE o.key = c.key AND o.version < c.version) "
        f"ORDER BY c.key LIMIT {_AT_ONCE}) AS c ON c.key = r.key WHERE r.version < c.version "
        "ORDER BY c.key, r.version"
    )
    return _old(await store.ask((sql, [after, until or _HIGHEST, before])))


async def superseded_before(store: Asked, before: int, after: int, until: int | None = None) -> list[Old]:
    """Answer some versions that others took the place of before a time.

    Of versions whose number is above ``after``, and at most ``until``.
    """
    sql = (
        "SELECT r.sequence, c.type, c.id, r.version FROM resource r JOIN current c ON c.key = r.key "
        "WHERE r.sequence > ? AND r.sequence <= ? AND NOT c.deleted AND EXISTS "
        "(SELECT 1 FROM resource n WHERE n.key = r.key AND n.version > r.version AND n.last_updated < ?) "
        f"ORDER BY r.sequence LIMIT {_AT_ONCE}"
    )
    rows = await store.ask((sql, [after, until or _HIGHEST, instant(before)]))
    return [Old(place, Name(type_, id_), [number]) for place, type_, id_, number in rows]


def _old(rows: Sequence[Sequence[Any]]) -> list[Old]:
    found: dict[Name, Old] = {}
    for place, type_, id_, number in rows:
        name = Name(type_, id_)
        found.setdefault(name, Old(place, name, [])).numbers.append(number)
    return list(found.values())
