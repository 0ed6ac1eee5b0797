"""The shared statements in PostgreSQL's words.

They are written once; what differs in words is POSTGRES, the rest is mechanical: numbered parameters, and
subqueries kept apart. Words whose number is known are put in as numbers.
"""

import hashlib
import re
from collections.abc import Callable
from typing import Any

from service.store.search_match import WORD, Dialect, Statement

__all__ = ["POSTGRES", "Known", "in_postgres", "shortened"]

POSTGRES = Dialect(
    no_index="",
    each="jsonb_array_elements({}) AS j(value)",
    within="strpos({0}, {1}) > 0",
    by_code_point='({}) COLLATE "C"',
    size="octet_length({})",
)
_IN_THIS_ORDER = re.compile(r"\bCROSS JOIN (\w+ \w+) ON\b")  # a hint that SQLite takes
_LISTED = re.compile(r"\bIN \((?=SELECT)")
_PROBED = re.compile(r"\bEXISTS \((?=SELECT)")
_MANY_LISTS = 8
_LONGEST = 600
"""Bytes; together the columns of an index row must stay below a third of a page."""

Known = Callable[[str], int | None]
"""Answers the number of a word, if it is known."""


def in_postgres(statement: Statement, known: Known) -> Statement:
    """Answer the statement with its values; ``known`` answers the number of a word, if it is known."""
    sql, values = statement
    sql = _IN_THIS_ORDER.sub(r"JOIN \1 ON", sql)
    bound: list[Any] = []
    parts: list[str] = []
    waiting = iter(values)
    for piece in re.split(rf"({re.escape(WORD)}|\?)", _apart(sql)):
        if piece == "?":
            bound.append(_value(next(waiting)))
            parts.append(f"${len(bound)}")
        elif piece == WORD:
            text = next(waiting)
            number = known(text)
            bound.append(shortened(text) if number is None else number)
            mark = f"${len(bound)}"
            parts.append(
                f"(SELECT key FROM word WHERE text = {mark})" if number is None else f"{mark}::bigint"
            )
        else:
            parts.append(piece)
    return "".join(parts), bound


def shortened(text: str) -> str:
    """Answer a text that an index can hold: a very long one as its beginning and a digest of all of it.

    Equal texts stay equal and others different. Of a very long text only the beginning is found in part.
    """
    if len(text) <= _LONGEST // 4:
        return text
    data = text.encode("utf-8", "surrogatepass")
    if len(data) <= _LONGEST:
        return text
    digest = hashlib.blake2b(data, digest_size=16).hexdigest()
    return data[: _LONGEST - 40].decode("utf-8", "ignore") + "\ufffd" + digest


def _apart(sql: str) -> str:
    """Keep each probe, and each of very many lists, a query of its own.

    The planner would make all of them one join over every part of every table, and plan for minutes.
    """
    sql = _with_ends(sql, _PROBED)
    return _with_ends(sql, _LISTED) if len(_LISTED.findall(sql)) > _MANY_LISTS else sql


def _with_ends(sql: str, opening: re.Pattern[str]) -> str:
    """Put OFFSET 0, which changes nothing but that, at the end of every subquery that ``opening`` begins."""
    ends = {_closing(sql, found.end()) for found in opening.finditer(sql)}
    return "".join(f" OFFSET 0{mark}" if place in ends else mark for place, mark in enumerate(sql))


def _closing(sql: str, start: int) -> int:
    depth = 1
    for found in re.compile(r"[()]").finditer(sql, start):
        depth += 1 if found[0] == "(" else -1
        if not depth:
            return found.start()
    raise ValueError(sql)


def _value(value: Any) -> Any:
    return shortened(value) if isinstance(value, str) else value
