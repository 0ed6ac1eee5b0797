"""Writing a code list into a file of its own, which appears whole or not at all."""

import hashlib
import os
import sqlite3
from collections.abc import Callable, Iterable
from contextlib import closing
from datetime import datetime
from pathlib import Path
from typing import Any

from service.errors import InvalidInput, NotFound, StoreUnavailable
from service.fhir.json import dump
from service.store.code_lists import SUFFIX, CodeLists, Held
from service.terminology.layouts.rows import Batch, Layout, Progress

__all__ = ["load_list", "remove_list"]

_SCHEMA = Path(__file__).parent / "code_lists.sql"
_INSERTS = {
    "concept": "INSERT INTO concept (system, code, display, more, folded, words) VALUES (?, ?, ?, ?, ?, ?)",
    "designation": "INSERT INTO designation VALUES (?, ?, ?, ?, ?, ?)",
    "parent": "INSERT INTO parent (system, code, parent) VALUES (?, ?, ?)",
    "preferred": "INSERT INTO preferred (id, rank) VALUES (?, ?)",
    "value_set": "INSERT INTO value_set (url, version, tree) VALUES (?, ?, ?)",
}
_INDEXES = (
    "CREATE INDEX designation_code ON designation (system, code)",
    "CREATE INDEX parent_code ON parent (system, code, parent)",
    "CREATE INDEX parent_parent ON parent (system, parent, code)",
    "CREATE INDEX concept_folded ON concept (system, folded)",
    "CREATE INDEX value_set_url ON value_set (url)",
)
# What is preferred in a language goes before a fully specified name.
_DISPLAYS = """
UPDATE concept SET display = coalesce((
    SELECT value FROM designation
    LEFT JOIN preferred ON preferred.id = designation.id AND designation.use NOT LIKE :full_name
    WHERE designation.system = concept.system AND designation.code = concept.code
    ORDER BY preferred.rank IS NULL, preferred.rank, designation.use NOT LIKE :full_name LIMIT 1), '')
WHERE display = ''"""
_FULL_NAME = '%"900000000000003001"%'


def load_list(folder: Path, layout: Layout, now: datetime, progress: Progress) -> Held:
    """Write a list beside those in the folder; it takes the place of the one of its name.

    InvalidInput if its files can't be read, StoreUnavailable if it can't be written: then nothing changed.
    """
    path = _path(folder, layout.name)
    fresh = path.with_suffix(".new")
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        fresh.unlink(missing_ok=True)
        with closing(sqlite3.connect(fresh, isolation_level=None)) as connection:
            _fill(connection, layout, now, progress)
        with fresh.open("rb") as written:
            os.fsync(written.fileno())
        fresh.replace(path)
    except (sqlite3.Error, OSError) as error:
        raise StoreUnavailable(f"The code list can't be written: {error}.") from error
    finally:
        fresh.unlink(missing_ok=True)
    return next(one for one in CodeLists(folder).all() if one.path == path)


def remove_list(folder: Path, name: str) -> None:
    """Take a list away; NotFound if there is none of this name."""
    path = _path(folder, name)
    if not path.exists():
        raise NotFound(f"No code list of the name '{name[:200]}' was loaded.")
    path.unlink()


def _path(folder: Path, name: str) -> Path:
    return folder / f"{hashlib.sha256(name.encode()).hexdigest()[:16]}{SUFFIX}"


def _fill(connection: sqlite3.Connection, layout: Layout, now: datetime, progress: Progress) -> None:
    for setting in ("journal_mode = OFF", "synchronous = OFF", "cache_size = -8000"):
        connection.execute(f"PRAGMA {setting}")
    connection.create_function("casefold", 1, str.casefold, deterministic=True)
    connection.executescript(_SCHEMA.read_text("utf-8"))
    connection.execute("BEGIN")
    for batch in layout.batches(progress):
        connection.executemany(_INSERTS[batch.kind], _rows(batch))
    _once(connection, "CREATE UNIQUE INDEX concept_code ON concept (system, code)")
    for statement in _INDEXES:
        connection.execute(statement)
    _show(connection)
    for number, tree in layout.systems():
        (count,) = connection.execute("SELECT count(*) FROM concept WHERE system = ?", (number,)).fetchone()
        row = (number, tree["url"], count, dump(tree).decode())
        connection.execute("INSERT INTO code_system (key, url, concepts, tree) VALUES (?, ?, ?, ?)", row)
    connection.execute("INSERT INTO about VALUES (?, ?)", (layout.name, now.isoformat(timespec="seconds")))
    connection.execute("COMMIT")


def _rows(batch: Batch) -> Iterable[tuple[Any, ...]]:
    if batch.kind != "concept":
        return batch.rows
    folded: Callable[[str], str] = str.casefold
    return ((*row, folded(row[1]), folded(f"{row[1]} {row[2]}")) for row in batch.rows)


def _once(connection: sqlite3.Connection, index: str) -> None:
    try:
        connection.execute(index)
    except sqlite3.IntegrityError:
        query = "SELECT code FROM concept GROUP BY system, code HAVING count(*) > 1 LIMIT 1"
        (code,) = connection.execute(query).fetchone()
        raise InvalidInput(f"The code '{code[:64]}' is listed more than once.") from None


def _show(connection: sqlite3.Connection) -> None:
    """Choose displays where the list has none beside its codes, but descriptions of several kinds."""
    (described,) = connection.execute("SELECT EXISTS (SELECT 1 FROM designation)").fetchone()
    if described:
        connection.execute("CREATE INDEX preferred_id ON preferred (id, rank)")
        connection.execute(_DISPLAYS, {"full_name": _FULL_NAME})
        connection.execute("UPDATE concept SET words = casefold(code || ' ' || display)")
        connection.execute("DROP TABLE preferred")
