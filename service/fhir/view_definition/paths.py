"""One FHIRPath of a view, ready to be followed from any element."""

from collections.abc import Callable, Mapping
from typing import Any, NamedTuple

from service.fhir.fhirpath import Expression
from service.fhir.fhirpath.nodes import Node
from service.fhir.fhirpath.values import Quantity, Temporal
from service.fhir.json import Tree
from service.fhir.view_definition.getters import Constants, getter
from service.fhir.view_definition.keys import FUNCTIONS

__all__ = ["ROW_INDEX", "Focus", "Items", "Path", "Values", "path"]

ROW_INDEX = "rowIndex"
_ALWAYS = frozenset({"context", "resource", "rootResource", "ucum", "sct", "loinc", ROW_INDEX})


class Focus(NamedTuple):
    """Where a path starts: an element, its resource, and its number among those found with it."""

    item: Node
    resource: Tree
    number: int = 0


Values = Callable[[Focus], list[Any]]
Items = Callable[[Focus], list[Node]]


class Path(NamedTuple):
    """``values`` finds JSON values, ``items`` elements; ``type`` is their FHIR type, empty if it varies."""

    values: Values
    items: Items
    type: str


def path(text: str, type_: str, constants: Constants) -> Path:
    """Compile an expression for elements of ``type_`` (empty: any); ValueError says what is wrong."""
    expression = Expression(text, FUNCTIONS)
    if unknown := sorted(expression.variables - _ALWAYS - constants.keys()):
        raise ValueError(f"there is no constant '{unknown[0][:60]}'")
    found = getter(expression.term, type_, constants) if type_ else None
    if found is None:
        return _by_engine(expression, constants)
    find, of = found.find, found.type
    return Path(
        lambda focus: [one for one in find(focus.item.data) if one is not None],
        lambda focus: [Node(one, of) for one in find(focus.item.data)],
        of,
    )


def _by_engine(expression: Expression, constants: Constants) -> Path:
    known = {name: Node(value, type_) for name, (value, type_) in constants.items()}
    numbered = ROW_INDEX in expression.variables

    def found(focus: Focus) -> list[Any]:
        variables: Mapping[str, Any] = {**known, ROW_INDEX: focus.number} if numbered else known
        return expression.items(focus.item, focus.resource, dict(variables))

    return Path(
        lambda focus: [plain for one in found(focus) if (plain := _plain(one)) is not None],
        lambda focus: [one if isinstance(one, Node) else Node(one, "") for one in found(focus)],
        "",
    )


def _plain(item: Any) -> Any:
    if isinstance(item, Node):
        return item.data
    return str(item) if isinstance(item, (Temporal, Quantity)) else item
