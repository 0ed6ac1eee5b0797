"""The research tables: the ViewDefinitions of ``mappings/views/``, and what each column means.

What is known of a column stands in its definition: FHIR type, description, and tags: ``ansi/type`` (the type
in SQL), ``unit`` (UCUM), ``codes`` (the canonical of a value set), ``key`` (``primary``), ``references``
(``table.column``), ``required`` (never empty) and ``missing`` (the column that says why this one is empty).
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

from service.fhir.composition import Composition
from service.fhir.json import reread
from service.fhir.value_sets import SHIPPED, shipped_value_set
from service.fhir.view_definition import Column, View
from service.fhir.view_definition.definition import Kind
from service.shipped import shipped

__all__ = ["Code", "Field", "Table", "table_of", "tables"]

_DECIMAL = re.compile(r"DECIMAL\((\d{1,2}), ?(\d{1,2})\)")
_ANY_DECIMAL = (38, 9)


@dataclass(frozen=True, slots=True)
class Code:
    """A code of a column and what it means."""

    code: str
    label: str


@dataclass(frozen=True, slots=True)
class Field:
    """A column: ``kind`` is what it holds, a list of it where ``collection``; ``source`` its FHIRPath.

    ``digits`` are those of a decimal in all and after the point. ``codes`` is empty where any code may stand.
    ``refers_to`` is ``table.column``, ``reason_in`` the column that says why this one is empty.
    """

    name: str
    kind: Kind
    meaning: str
    source: str
    nullable: bool = True
    collection: bool = False
    unit: str = ""
    value_set: str = ""
    codes: tuple[Code, ...] = ()
    digits: tuple[int, int] = _ANY_DECIMAL
    primary: bool = False
    refers_to: str = ""
    reason_in: str = ""


@dataclass(frozen=True, slots=True)
class Table:
    """A table: the view that makes its rows, and its columns in order."""

    view: View
    fields: tuple[Field, ...]

    @property
    def name(self) -> str:
        """Its name, and that of its file."""
        return self.view.definition.name

    @property
    def canonical(self) -> str:
        """``url|version`` of the definition."""
        return f"{self.view.definition.url}|{self.view.definition.version}"


@cache
def tables() -> Mapping[str, Table]:
    """Every research table by name, people first."""
    folder = shipped("mappings", "views")
    found = [table_of(reread(file.read_bytes())) for file in sorted(folder.glob("*.json"))]
    found.sort(key=lambda table: _ORDER.index(table.name))
    return {table.name: table for table in found}


_ORDER = (
    "patient",
    "condition",
    "visit",
    "trial",
    "trial_judgement",
    "study",
    "study_conditions",
    "bolus",
    "measurement",
    "goal",
    "goal_status",
    "goal_value",
    "exercise",
    "practice_day",
)


def table_of(tree: Any) -> Table:
    """The table of a ViewDefinition; InvalidInput names every problem by its place."""
    view = View(tree)
    return Table(view, tuple(_field(column) for column in view.columns))


def _field(column: Column) -> Field:
    tags = column.tags
    digits = _DECIMAL.fullmatch(tags.get("ansi/type", ""))
    return Field(
        column.name,
        column.kind,
        column.description,
        column.path,
        nullable=tags.get("required") != "true",
        collection=column.collection,
        unit=tags.get("unit", ""),
        value_set=tags.get("codes", ""),
        codes=_codes(tags.get("codes", "")),
        digits=(int(digits[1]), int(digits[2])) if digits else _ANY_DECIMAL,
        primary=tags.get("key") == "primary",
        refers_to=tags.get("references", ""),
        reason_in=tags.get("missing", ""),
    )


@cache
def _codes(value_set: str) -> tuple[Code, ...]:
    tree = shipped_value_set(value_set)
    members = Composition(SHIPPED).members(tree) if tree else None
    return tuple(Code(one.code, one.display) for one in (members or {}).values())
