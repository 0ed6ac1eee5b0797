"""A view, compiled: resources in, rows out (SQL on FHIR 2, the processing of a ViewDefinition)."""

from collections.abc import Callable, Iterator, Mapping
from decimal import Decimal
from itertools import product
from typing import Any, cast

from service.errors import InvalidInput
from service.fhir.fhirpath.nodes import Node
from service.fhir.json import Tree
from service.fhir.view_definition.definition import Column, Definition, Select
from service.fhir.view_definition.getters import Constants
from service.fhir.view_definition.paths import ROW_INDEX, Focus, Path, path
from service.fhir.view_definition.reading import Problems, read_definition

__all__ = ["Row", "View"]

Row = tuple[Any, ...]
"""Values in the order of the columns: text, numbers, true and false, None; a list for a collection."""
Rows = Callable[[Focus], list[Row]]
_MOST_ROWS = 100_000
_KINDS: Mapping[str, tuple[type, ...]] = {"boolean": (bool,), "integer": (int,), "decimal": (int, Decimal)}
_TEXT = (str,)


class View:
    """``rows(resource)`` answers the rows of one resource; ``definition`` tells the columns."""

    def __init__(self, tree: Any) -> None:
        """Compile a ViewDefinition; InvalidInput names every problem by its place."""
        problems = Problems()
        self.definition: Definition = read_definition(tree, problems)
        compiler = _Compiler(self.definition.constants, problems)
        resource = self.definition.resource
        self._where = [compiler.condition(text, resource, n) for n, text in enumerate(self.definition.where)]
        self._rows = compiler.select(self.definition.select, resource)
        problems.refuse()

    @property
    def columns(self) -> tuple[Column, ...]:
        """The columns, in order."""
        return self.definition.columns

    def rows(self, resource: Tree) -> list[Row]:
        """The rows of one resource; none if it is of another type or ``where`` leaves it out.

        Raises InvalidInput for a resource the view can't be made of: several values where the column holds
        one, a value of another type, more rows than anybody can mean.
        """
        if resource.get("resourceType") != self.definition.resource:
            return []
        focus = Focus(Node(resource, self.definition.resource), resource)
        try:
            return self._rows(focus) if all(test(focus) for test in self._where) else []
        except ValueError as error:
            raise InvalidInput(f"The view '{self.definition.name}': {error}.") from None
        except (TypeError, AttributeError, LookupError):
            raise InvalidInput(f"The view '{self.definition.name}' was given what is no FHIR.") from None


class _Compiler:
    """Paths that can't be compiled are noted and stand for nothing."""

    def __init__(self, constants: Constants, problems: Problems) -> None:
        self._constants = constants
        self._problems = problems

    def condition(self, text: str, type_: str, number: int) -> Callable[[Focus], bool]:
        place = f"ViewDefinition.where[{number}].path"
        found = self._path(text, type_, place)
        if found.type not in {"", "boolean"}:
            self._problems.add(place, "A condition must be true or false.")

        def holds(focus: Focus) -> bool:
            values = found.values(focus)
            if values and (len(values) > 1 or not isinstance(values[0], bool)):
                raise ValueError(f"its condition '{text}' is not true or false")
            return values == [True]

        return holds

    def select(self, select: Select, type_: str) -> Rows:
        if not select.each:
            return self._body(select, type_)
        name = f"{select.place}.{select.each}"
        if select.each == "repeat":  # below elements of other types as well
            paths = [self._path(text, "", name) for text in select.paths]
            return _each(_repeated(paths), self._body(select, ""), None)
        found = self._path(select.paths[0], type_, name)
        blank = _blank(select) if select.each == "forEachOrNull" else None
        return _each(found.items, self._body(select, found.type), blank)

    def _body(self, select: Select, type_: str) -> Rows:
        parts: list[Rows] = []
        if select.columns:
            read = [self._column(column, type_, select.place, n) for n, column in enumerate(select.columns)]
            parts.append(lambda focus: [tuple([one(focus) for one in read])])
        parts += [self.select(one, type_) for one in select.selects]
        if select.union:
            union = [self.select(one, type_) for one in select.union]
            parts.append(lambda focus: [row for one in union for row in one(focus)])
        return parts[0] if len(parts) == 1 else _combined(parts)

    def _column(self, column: Column, type_: str, place: str, number: int) -> Callable[[Focus], Any]:
        place = f"{place}.column[{number}]"
        found = self._path(column.path, type_, f"{place}.path")
        kinds = _KINDS.get(column.kind, _TEXT)
        if found.type and not _holds(found.type, kinds):
            message = f"The column is a {column.type}; what its path finds is a {found.type}."
            self._problems.add(f"{place}.type", message)
        return _several(column, found, kinds) if column.collection else _one(column, found, kinds)

    def _path(self, text: str, type_: str, place: str) -> Path:
        try:
            return path(text, type_, self._constants)
        except ValueError as error:
            if text:  # what is missing was told already
                self._problems.add(place, f"The path can't be used: {error}.")
            return Path(lambda _: [], lambda _: [], "")


def _holds(type_: str, kinds: tuple[type, ...]) -> bool:
    own = _KINDS.get(Column("", "", type_).kind, _TEXT)
    return type_[:1].islower() and "." not in type_ and set(own) <= set(kinds)


def _one(column: Column, found: Path, kinds: tuple[type, ...]) -> Callable[[Focus], Any]:
    values, name = found.values, column.name

    def read(focus: Focus) -> Any:
        several = values(focus)
        if not several:
            return None
        if len(several) > 1:
            raise ValueError(f"column '{name}' holds one value, {len(several)} were found; first() takes one")
        return _of_kind(several[0], kinds, name)

    return read


def _several(column: Column, found: Path, kinds: tuple[type, ...]) -> Callable[[Focus], Any]:
    return lambda focus: [_of_kind(one, kinds, column.name) for one in found.values(focus)]


def _of_kind(value: Any, kinds: tuple[type, ...], name: str) -> Any:
    if not isinstance(value, kinds) or (isinstance(value, bool) and bool not in kinds):
        raise ValueError(f"column '{name}' holds another type than what was found")
    return value


def _each(items: Callable[[Focus], list[Node]], body: Rows, blank: Row | None) -> Rows:
    def rows(focus: Focus) -> list[Row]:
        found: list[Row] = []
        for number, item in enumerate(items(focus)):
            found += body(Focus(item, focus.resource, number))
            _bounded(len(found))
        return found or ([] if blank is None or items(focus) else [blank])

    return rows


def _repeated(paths: list[Path]) -> Callable[[Focus], list[Node]]:
    """What the paths find, what they find below that, and so on: each before what stands below it."""

    def walk(focus: Focus) -> Iterator[Node]:
        for one in paths:
            for item in one.items(focus):
                yield item
                yield from walk(Focus(item, focus.resource))

    def items(focus: Focus) -> list[Node]:
        try:
            return list(walk(focus))
        except RecursionError:
            raise ValueError("repeat finds no end") from None

    return items


def _blank(select: Select) -> Row:
    """The row where there is nothing to make one of; its number is that of the first."""
    return tuple(
        0 if column.path == f"%{ROW_INDEX}" else [] if column.collection else None
        for column in select.all_columns()
    )


def _combined(parts: list[Rows]) -> Rows:
    def rows(focus: Focus) -> list[Row]:
        found = [part(focus) for part in parts]
        number = 1
        for one in found:
            number *= len(one)
        _bounded(number)
        return [tuple(value for row in rows for value in row) for rows in cast("Any", product(*found))]

    return rows


def _bounded(number: int) -> None:
    if number > _MOST_ROWS:
        raise ValueError(f"one resource makes more than {_MOST_ROWS} rows")
