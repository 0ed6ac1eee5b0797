"""Statements over the rows of ``summaries.py``, the same on every engine."""

from collections.abc import Iterable, Iterator, Sequence
from typing import Any

from service.store.search_match import Dialect, Statement
from service.store.search_sql import holding
from service.store.summaries import Listed, Seen, Summary, SummaryPage, SummaryQuery

__all__ = [
    "FORGET",
    "KEEP",
    "behind",
    "editions",
    "forgotten",
    "kept",
    "listed",
    "noted",
    "notes",
    "page_of_summaries",
    "seen_of",
    "totals",
]

_COLUMNS = (
    "patient",
    "edition",
    "day",
    "basis",
    "name",
    "last_visit",
    "next_review",
    "concern",
    "cues",
    "tags",
    "content",
)
KEEP = (
    f"INSERT INTO summary ({', '.join(_COLUMNS)}) VALUES ({', '.join('?' * len(_COLUMNS))}) "
    "ON CONFLICT (patient) DO UPDATE SET "
    f"{', '.join(f'{name} = excluded.{name}' for name in _COLUMNS[1:])} "
    "WHERE summary.edition = ? RETURNING patient"
)
"""Files a row unless another took the place of the edition seen; answers its patient if it did."""
FORGET = "DELETE FROM summary WHERE patient = ? AND edition = ?"
_CHUNK = 500
"""Values of one statement."""
# EXISTS: a long load leaves more notes than PostgreSQL keeps in memory (of 300,000: IN 7 s, this 0.2 s)
_BEHIND = (
    "(s.patient IS NULL OR s.day <> ? OR s.basis <> ? "
    "OR EXISTS (SELECT 1 FROM touched t WHERE t.patient = p.id))"
)
_PEOPLE = "FROM current p LEFT JOIN summary s ON s.patient = p.id WHERE p.type = 'Patient' AND NOT p.deleted"
_ON_FILE = "SELECT 1 FROM current p WHERE p.type = 'Patient' AND p.id = s.patient AND NOT p.deleted"
_ORDERS = {
    "name": "s.name",
    "visit": "s.last_visit",
    "review": "s.next_review",
    "status": "s.concern",
    "cues": "s.cues",
}


def kept(summary: Summary, seen: Seen) -> list[Any]:
    """The values of KEEP."""
    return [
        summary.patient,
        summary.edition,
        summary.day,
        summary.basis,
        summary.name,
        summary.last_visit,
        summary.next_review,
        summary.concern,
        summary.cues,
        f" {' '.join(sorted(summary.tags))} ",
        summary.content,
        seen.edition,
    ]


def editions(patients: Sequence[str]) -> Statement:
    """The editions on file of these patients' rows."""
    return _of("SELECT patient, edition FROM summary", patients)


def notes(patients: Sequence[str]) -> Statement:
    """The changes noted of these patients."""
    return _of("SELECT patient, sequence FROM touched", patients)


def forgotten(seen: Seen) -> Iterator[Statement]:
    """Take away the notes that were seen, and no later ones."""
    for start in range(0, len(seen.changes), _CHUNK):
        chunk = seen.changes[start : start + _CHUNK]
        marks = ", ".join("?" * len(chunk))
        yield f"DELETE FROM touched WHERE patient = ? AND sequence IN ({marks})", [seen.patient, *chunk]


def seen_of(
    patients: Sequence[str], edition_rows: Iterable[Sequence[Any]], note_rows: Iterable[Sequence[Any]]
) -> list[Seen]:
    """What ``editions`` and ``notes`` found, by patient."""
    known = {row[0]: row[1] for row in edition_rows}
    changes: dict[str, list[int]] = {}
    for patient, sequence in note_rows:
        changes.setdefault(patient, []).append(sequence)
    return [Seen(one, known.get(one, 0), tuple(changes.get(one, ()))) for one in patients]


def listed(query: SummaryQuery, dialect: Dialect) -> Statement:
    """The rows of a page."""
    where, values = _where(query, dialect)
    column, way = _ORDERS[query.order], "DESC" if query.descending else "ASC"
    sql = (
        f"SELECT p.id, s.content, {_BEHIND} {_PEOPLE} {where} "
        f"ORDER BY s.patient IS NULL, {column} IS NULL, {column} {way}, s.name, p.id LIMIT ? OFFSET ?"
    )
    return sql, [query.day, query.basis, *values, query.count, query.offset]


def totals(query: SummaryQuery, dialect: Dialect) -> tuple[Statement, Statement]:
    """How many the list has, and how many patients of all are behind."""
    where, values = _where(query, dialect)
    among, theirs = _among(query, dialect)
    return (
        (f"SELECT count(*) {_PEOPLE} {where}", values),
        (f"SELECT count(*) {_PEOPLE} AND {_BEHIND} AND {among}", [query.day, query.basis, *theirs]),
    )


def behind(day: str, basis: str, count: int) -> Statement:
    """Some patients whose row is behind or missing, and some that have one and are not on file.

    In no order, so that several processes seldom do the same.
    """
    gone = f"SELECT s.patient FROM summary s WHERE NOT EXISTS ({_ON_FILE})"
    sql = f"SELECT p.id {_PEOPLE} AND {_BEHIND} UNION ALL {gone}"
    return f"SELECT id FROM ({sql}) waiting ORDER BY random() LIMIT ?", [day, basis, count]


def noted(count: int) -> Statement:
    """Some patients of whom a change is noted, on file or not; in no order."""
    return "SELECT patient FROM touched GROUP BY patient ORDER BY random() LIMIT ?", [count]


def page_of_summaries(rows: Sequence[Sequence[Any]], total: int, behind_: int) -> SummaryPage:
    """What ``listed`` and ``totals`` found."""
    return SummaryPage(tuple(Listed(id_, content, bool(late)) for id_, content, late in rows), total, behind_)


def _where(query: SummaryQuery, dialect: Dialect) -> tuple[str, list[Any]]:
    parts: list[tuple[str, list[Any]]] = [
        _among(query, dialect),
        *((dialect.within.format("s.tags", "?"), [f" {tag} "]) for tag in query.tags),
        *((dialect.within.format("s.name", "?"), [word]) for word in query.name),
    ]
    if query.seen_before:
        parts.append(("s.patient IS NOT NULL AND coalesce(s.last_visit, '') < ?", [query.seen_before]))
    if query.behind:
        parts.append((_BEHIND, [query.day, query.basis]))
    sql = " ".join(f"AND ({condition})" for condition, _ in parts)
    return sql, [value for _, values in parts for value in values]


def _among(query: SummaryQuery, dialect: Dialect) -> Statement:
    return holding(query.among, ("Patient",), "p", dialect)


def _of(select: str, patients: Sequence[str]) -> Statement:
    return f"{select} WHERE patient IN ({', '.join('?' * len(patients))})", list(patients)
