"""What resources were at an earlier moment, as one SQL statement: a stretch of versions in their order."""

from typing import Any

from service.store.contract import States
from service.store.search_match import Statement, marks
from service.store.search_sql import kept_columns, patient_of

__all__ = ["NEWEST_INSTANT", "states_page"]

NEWEST_INSTANT = "SELECT coalesce(max(last_updated), '') FROM resource"
_COLUMNS = (
    f"{kept_columns}, CASE WHEN c.sequence = r.sequence THEN {patient_of('c')} ELSE '' END, 1 = 1, r.labelled"
)
"""Of a Version; whether somebody withholds something of it has to be asked."""
_NEWER = "SELECT 1 FROM resource n WHERE n.key = r.key AND n.version > r.version AND n.sequence <= ?"


def states_page(query: States) -> Statement:
    """The versions of a stretch that were the newest of their resources then."""
    where = [
        "r.sequence > ? AND r.sequence <= ?",
        f"(c.sequence = r.sequence OR (c.sequence > ? AND NOT EXISTS ({_NEWER})))",
    ]
    values: list[Any] = [query.after, query.until, query.as_of, query.as_of]
    if query.types:
        where.append(f"c.type IN ({marks(query.types)})")
        values += query.types
    if query.since:
        where.append("r.last_updated > ?")
        values.append(query.since)
    # CROSS: versions in their order, not type by type
    table = "resource r CROSS JOIN current c"
    sql = f"SELECT {_COLUMNS} FROM {table} WHERE c.key = r.key AND {' AND '.join(where)} ORDER BY r.sequence"
    return sql, values
