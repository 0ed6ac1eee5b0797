"""Code lists that a site has loaded: a folder of small SQLite files, each written once and then only read.

They stand beside the database, whatever its engine, as they are not its content: nothing of them is in a
backup, and each machine that serves needs them loaded. A file is replaced whole, so that readers never wait.
"""

import json
import logging
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from threading import Lock

from service.errors import TooManyCodes
from service.fhir.code_systems import SNOMED, Concept, LargeCodeSystem
from service.fhir.json import Tree, reread

__all__ = ["SUFFIX", "CodeList", "CodeLists", "Held"]

_log = logging.getLogger("service.store")

SUFFIX = ".codes"
_MOST = 100_000
_CONCEPTS = """
SELECT code, display, more,
    (SELECT json_group_array(json_object(
            'language', nullif(language, ''), 'use', iif(use = '', NULL, json(use)), 'value', value))
        FROM designation WHERE designation.system = concept.system AND designation.code = concept.code),
    (SELECT json_group_array(parent)
        FROM parent WHERE parent.system = concept.system AND parent.code = concept.code)
FROM concept"""
_BELOW = """
WITH RECURSIVE below (code) AS (
    SELECT code FROM concept WHERE system = ? AND code = ?
    UNION
    SELECT parent.code FROM below JOIN parent ON parent.system = ? AND parent.parent = below.code
)
SELECT code FROM below LIMIT ?"""
_ABOVE = """
WITH RECURSIVE above (code) AS (
    SELECT code FROM concept WHERE system = ? AND code = ?
    UNION
    SELECT parent.parent FROM above JOIN parent ON parent.system = ? AND parent.code = above.code
)
SELECT code FROM above"""


@dataclass(frozen=True, slots=True)
class Held:
    """One list: its name, when it was loaded, its code systems (canonical, concepts), its value sets."""

    name: str
    loaded: str
    systems: tuple[tuple[str, int], ...]
    value_sets: int
    path: Path


class CodeList(LargeCodeSystem):
    """A code system that stays in its file: concepts are read as they are asked for."""

    def __init__(self, connection: sqlite3.Connection, number: int, tree: Tree, count: int) -> None:
        """Take the resource without concepts, and where they are."""
        self.tree = tree
        self._rows = _Rows(connection, number, count)
        self.concepts = _Concepts(self._rows)
        self._sensitive = tree.get("caseSensitive", False)

    def concept(self, code: str) -> Concept | None:
        """See CodeSystem."""
        found = self._rows.concepts("code = ?", code) or (
            [] if self._sensitive else self._rows.concepts("folded = ? ORDER BY key LIMIT 1", code.casefold())
        )
        return found[0] if found else None

    def has(self, code: str) -> bool | None:
        """See CodeSystem; whether an expression of SNOMED CT is right is not told by a list."""
        if self.url == SNOMED and not code.isdecimal():
            return None
        return super().has(code)

    def above(self, code: str) -> tuple[str, ...]:
        """See CodeSystem."""
        number = self._rows.number
        return self._rows.codes(_ABOVE, number, code, number)

    def below(self, code: str) -> tuple[str, ...]:
        """See CodeSystem; TooManyCodes if there are very many."""
        number = self._rows.number
        found = self._rows.codes(_BELOW, number, code, number, _MOST + 1)
        if len(found) > _MOST:
            raise TooManyCodes(f"There are more than {_MOST} codes below '{code[:64]}'; ask for fewer.")
        return found

    def children(self, code: str) -> Sequence[str]:
        """See CodeSystem."""
        query = "SELECT code FROM parent WHERE system = ? AND parent = ? ORDER BY code"
        return self._rows.codes(query, self._rows.number, code)

    def matching(self, words: Sequence[str], top: str = "") -> list[Concept]:
        """See LargeCodeSystem; TooManyCodes if there are very many."""
        conditions = [*("instr(words, ?)" for _ in words), "TRUE"]
        values: list[object] = list(words)
        if top:
            conditions.append(f"code IN ({_BELOW})")
            values += [self._rows.number, top, self._rows.number, -1]
        where = " AND ".join(conditions)
        found = self._rows.concepts(f"{where} ORDER BY key LIMIT {_MOST + 1}", *values)
        if len(found) > _MOST:
            raise TooManyCodes(
                f"More than {_MOST} codes fit; filter by more of their text, or ask for fewer."
            )
        return found


class CodeLists:
    """The lists in a folder, read anew when files of it have changed."""

    def __init__(self, folder: Path | None = None) -> None:
        """Take the folder, which need not exist; without one there are no lists."""
        self._folder = folder
        self._lock = Lock()
        self._seen: tuple[tuple[str, int], ...] = ()
        self._systems: dict[str, CodeList] = {}
        self._value_sets: dict[str, sqlite3.Connection] = {}

    def code_system(self, url: str) -> CodeList | None:
        """The code system of this URL, None if none was loaded."""
        self._refresh()
        return self._systems.get(url)

    def value_set(self, canonical: str) -> Tree | None:
        """The value set of a canonical address, None if none was loaded."""
        self._refresh()
        url, _, wanted = canonical.partition("|")
        connection = self._value_sets.get(url)
        if connection is None:
            return None
        rows = connection.execute(
            "SELECT tree FROM value_set WHERE url = ? AND ? IN ('', version) ORDER BY rowid DESC LIMIT 1",
            (url, wanted),
        ).fetchall()
        return reread(rows[0][0].encode()) if rows else None

    def systems(self) -> dict[str, CodeList]:
        """The code systems by URL."""
        self._refresh()
        return dict(self._systems)

    def all(self) -> list[Held]:
        """Every list, by name."""
        found = []
        for path in sorted(self._folder.glob(f"*{SUFFIX}")) if self._folder else ():
            with closing(_opened(path)) as connection:
                found.append(_held(connection, path))
        return sorted(found, key=lambda one: one.name)

    def _refresh(self) -> None:
        """Look at the folder; a file that was replaced stays readable to those who hold it."""
        try:
            files = [one for one in self._folder.iterdir() if one.suffix == SUFFIX] if self._folder else []
            seen = tuple(sorted((str(one), one.stat().st_mtime_ns) for one in files))
        except OSError:
            seen = ()
        if seen == self._seen:
            return
        with self._lock:
            systems: dict[str, CodeList] = {}
            value_sets: dict[str, sqlite3.Connection] = {}
            for path, _ in seen:
                try:
                    connection = _opened(Path(path))
                    rows = connection.execute("SELECT key, tree, concepts FROM code_system").fetchall()
                    urls = connection.execute("SELECT url FROM value_set").fetchall()
                except sqlite3.Error as error:
                    _log.warning(
                        "The code list %s can't be read (%s): load it again.", Path(path).name, error
                    )
                    continue
                lists = [CodeList(connection, key, reread(tree.encode()), count) for key, tree, count in rows]
                systems |= {one.url: one for one in lists}
                value_sets |= {url: connection for (url,) in urls}
            self._systems, self._value_sets, self._seen = systems, value_sets, seen


class _Rows:
    """The rows of one code system."""

    def __init__(self, connection: sqlite3.Connection, number: int, count: int) -> None:
        self._connection = connection
        self.number = number
        self.count = count

    def concepts(self, where: str, *values: object) -> list[Concept]:
        rows = self._connection.execute(f"{_CONCEPTS} WHERE system = ? AND {where}", (self.number, *values))
        return [_concept(*row) for row in rows]

    def codes(self, query: str, *values: object) -> tuple[str, ...]:
        return tuple(found for (found,) in self._connection.execute(query, values))


class _Concepts(Mapping[str, Concept]):
    """The concepts of a code system that stay in their file."""

    def __init__(self, rows: _Rows) -> None:
        self._rows = rows

    def __getitem__(self, code: str) -> Concept:
        found = self._rows.concepts("code = ?", code)
        if not found:
            raise KeyError(code)
        return found[0]

    def __iter__(self) -> Iterator[str]:
        return iter(
            self._rows.codes("SELECT code FROM concept WHERE system = ? ORDER BY key", self._rows.number)
        )

    def __len__(self) -> int:
        return self._rows.count


def _concept(code: str, display: str, more: str, designations: str, parents: str) -> Concept:
    tree: Tree = {"code": code, **({"display": display} if display else {}), **reread(more.encode())}
    if others := json.loads(designations):
        told = ({name: value for name, value in one.items() if value is not None} for one in others)
        tree["designation"] = [*tree.get("designation", ()), *told]
    return Concept(tree, tuple(json.loads(parents)))


def _opened(path: Path) -> sqlite3.Connection:
    """A file that never changes: no locks, and any thread may read."""
    return sqlite3.connect(
        f"{path.absolute().as_uri()}?mode=ro&immutable=1", uri=True, check_same_thread=False
    )


def _held(connection: sqlite3.Connection, path: Path) -> Held:
    name, loaded = connection.execute("SELECT name, loaded FROM about").fetchone()
    rows = connection.execute("SELECT tree, concepts FROM code_system ORDER BY key")
    trees = [(reread(tree.encode()), count) for tree, count in rows]
    systems = tuple((_canonical(tree), count) for tree, count in trees)
    (value_sets,) = connection.execute("SELECT count(*) FROM value_set").fetchone()
    return Held(name, loaded, systems, value_sets, path)


def _canonical(tree: Tree) -> str:
    version = tree.get("version", "")
    return f"{tree['url']}|{version}" if version else str(tree["url"])
