"""A history as one SQL statement: versions by the moment they were written, newest first."""

from collections.abc import Sequence
from typing import Any

from service.errors import InvalidInput
from service.fhir.datetimes import instant
from service.store.contract import History, Page, Version
from service.store.search_order import fitting
from service.store.search_sql import COLUMNS, SQLITE, Dialect, Statement, texts

__all__ = ["history_of", "history_page", "history_total"]

_ONE = "current c JOIN resource r ON r.key = c.key"
_MANY = "resource r CROSS JOIN current c ON c.key = r.key"  # CROSS: versions in their order, not type by type
_OVER_BY = (
    "SELECT 1 FROM resource n WHERE n.key = r.key AND n.version = r.version + 1 AND n.last_updated <= ?"
)


def history_page(query: History, dialect: Dialect = SQLITE) -> Statement:
    """The statement for one page; one row more than asked for tells whether there is a next page."""
    where, values = _where(query)
    if query.after:
        where.append(
            "(r.last_updated, r.sequence) < (SELECT last_updated, sequence FROM resource WHERE sequence = ?)"
        )
        values.append(_position(query.after))
    found = (
        f"SELECT r.sequence, c.type, c.id, c.owner, r.last_updated FROM {_ONE if query.id else _MANY} "
        f"WHERE {' AND '.join(where) or '1 = 1'} ORDER BY r.last_updated DESC, r.sequence DESC LIMIT ?"
    )
    order = "page.last_updated DESC, page.sequence DESC"
    head, rows = texts(found, order, query.most_bytes, dialect)
    return f"{head} SELECT {COLUMNS.format('page')} FROM {rows} ORDER BY {order}", [*values, query.count + 1]


def history_of(query: History, found: Sequence[Version], total: int | None) -> Page:
    """Answer the page that the versions of ``history_page`` make, one more than asked for if there is."""
    page = fitting([(version, version) for version in found[: query.count]], query.most_bytes)
    more = len(found) > len(page)
    return Page(tuple(one for _, one in page), total, str(page[-1][0].sequence) if page and more else None)


def history_total(query: History) -> Statement:
    """The statement that counts every version."""
    where, values = _where(query)
    return f"SELECT count(*) FROM {_ONE} WHERE {' AND '.join(where)}", values


def _where(query: History) -> tuple[list[str], list[Any]]:
    where: list[str] = []
    values: list[Any] = []
    if query.types:
        where.append(f"c.type IN ({', '.join('?' * len(query.types))})")
        values += query.types
    if query.id:
        where.append("c.id = ?")
        values.append(query.id)
    if query.since is not None:
        where.append("r.last_updated >= ?")
        values.append(instant(query.since))
    if query.during is not None:
        low, high = query.during
        where.append(f"r.last_updated < ? AND NOT EXISTS ({_OVER_BY})")
        values += [instant(high), instant(low)]
    return where, values


def _position(after: str) -> int:
    if not (after.isascii() and after.isdigit() and len(after) < 19):
        raise InvalidInput("This page link is not one this service gave; start the history again.")
    return int(after)
