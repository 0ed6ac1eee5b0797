"""The table of what the standard asks for, which tests show it, and why a row without a test has none.

``rows.json`` holds the rows of FHIR R4 4.0.1 (http.html, search.html, operations.html and the pages of its
interactions), of Subscriptions R5 Backport 1.1.0 (H), of SMART App Launch 2.2 (I) and of Bulk Data Access 2.0
(J) in short words: ``row``, ``level`` (MUST, SHOULD or MAY), ``expected`` (whether those who connect hospital
systems commonly count on it), ``title``; ``offered`` is false for what this service does not do, with the
``reason``, and tests of such a row show that it is refused.
A test names the rows it shows: ``@pytest.mark.conformance("B1", "B4")``.
"""

import json
from collections.abc import Mapping
from pathlib import Path
from typing import TypedDict

FOLDER = Path(__file__).parent
TABLE = FOLDER / "rows.md"
PASSES, FAILS, REFUSED = "passes", "FAILS", "not offered"
_HEAD = """\
# What FHIR R4 asks of a service, and the tests that show it

Written by `make conformance` from the tests' marks and the run's results; a row not offered says why.

| row | level | what | tests | result |
|---|---|---|---|---|
"""


class Row(TypedDict, total=False):
    row: str
    level: str
    expected: bool
    title: str
    offered: bool
    reason: str


def rows() -> list[Row]:
    return json.loads((FOLDER / "rows.json").read_text("utf-8"))


def required(row: Row) -> bool:
    """Every MUST and SHOULD, and a MAY that is commonly counted on."""
    return row["level"] != "MAY" or row["expected"]


def table(found: Mapping[str, Mapping[str, str]]) -> str:
    """Render row -> test -> result."""
    return _HEAD + "".join(_line(row, found.get(row["row"], {})) for row in rows())


def cells(text: str) -> dict[str, list[str]]:
    """Row -> the other cells of a rendered table."""
    lines = [line.strip("| ").split(" | ") for line in text.removeprefix(_HEAD).splitlines()]
    return {name: rest for name, *rest in lines}


def _line(row: Row, tests: Mapping[str, str]) -> str:
    passes = PASSES if row.get("offered", True) else REFUSED
    result = FAILS if FAILS in tests.values() else passes if tests or passes == REFUSED else ""
    said = ": ".join(part for part in (result, row.get("reason", "")) if part)
    names = ", ".join(sorted(f"`{name}`" for name in tests))
    return f"| {row['row']} | {row['level']} | {row['title']} | {names or '-'} | {said or '-'} |\n"
