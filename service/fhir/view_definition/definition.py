"""A ViewDefinition as it is compiled: what a flat table is made of."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

__all__ = ["Column", "Definition", "Each", "Kind", "Select"]

Each = Literal["", "forEach", "forEachOrNull", "repeat"]
Kind = Literal["string", "boolean", "integer", "decimal", "date", "dateTime", "time"]
"""What a column holds, whatever its FHIR type is called: a ``code`` is a string."""


@dataclass(frozen=True, slots=True)
class Column:
    """One column: its name, FHIRPath, FHIR type (a primitive) and whether it holds a list.

    ``tags`` are further facts about it by name (``ansi/type``).
    """

    name: str
    path: str
    type: str = "string"
    collection: bool = False
    description: str = ""
    tags: Mapping[str, str] = field(default_factory=dict)

    @property
    def kind(self) -> Kind:
        """What it holds."""
        return _KINDS.get(self.type, "string")


_KINDS: dict[str, Kind] = {
    "boolean": "boolean",
    **dict.fromkeys(("integer", "integer64", "positiveInt", "unsignedInt"), "integer"),
    "decimal": "decimal",
    "date": "date",
    **dict.fromkeys(("dateTime", "instant"), "dateTime"),
    "time": "time",
}


@dataclass(frozen=True, slots=True)
class Select:
    """Columns, selects side by side (their rows are combined) and selects whose rows follow each other.

    ``paths`` find what there is a row for, as ``each`` says; without one it is what the select stands in.
    ``place`` is its FHIRPath in the definition.
    """

    place: str
    columns: tuple[Column, ...] = ()
    selects: tuple["Select", ...] = ()
    union: tuple["Select", ...] = ()
    each: Each = ""
    paths: tuple[str, ...] = ()

    def all_columns(self) -> tuple[Column, ...]:
        """Every column of its rows, in their order; those of a union are told by its first part."""
        below = (column for select in self.selects for column in select.all_columns())
        joined = self.union[0].all_columns() if self.union else ()
        return (*self.columns, *below, *joined)


@dataclass(frozen=True, slots=True)
class Definition:
    """A flat table over one type of resource.

    ``constants`` are FHIR values by name, each with its type; ``where`` the conditions a resource must meet.
    """

    name: str
    resource: str
    select: Select
    constants: Mapping[str, tuple[Any, str]] = field(default_factory=dict)
    where: tuple[str, ...] = ()
    url: str = ""
    version: str = ""
    title: str = ""
    description: str = ""

    @property
    def columns(self) -> tuple[Column, ...]:
        """The columns of the table, in order."""
        return self.select.all_columns()
