"""FHIRPath Patch: operations told as Parameters (FHIR R4 fhirpatch.html)."""

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from service.errors import InvalidInput, Issue, Place, RuleViolation
from service.fhir.elements import Element, elements, is_primitive
from service.fhir.fhirpath import Expression, Steps, compiled, type_at
from service.fhir.json import Tree
from service.fhir.patch_edit import CannotError, Slot, Value, prune
from service.fhir.validation import errors

__all__ = ["fhirpath_patch"]

_NEEDS = {
    "add": {"path", "name", "value"},
    "insert": {"path", "index", "value"},
    "delete": {"path"},
    "replace": {"path", "value"},
    "move": {"path", "source", "destination"},
}
_PLAIN = {
    "type": "valueCode",
    "path": "valueString",
    "name": "valueString",
    "index": "valueInteger",
    "source": "valueInteger",
    "destination": "valueInteger",
}
# What is needed to point at an element. Others can be made to run for ever, or lead out of the resource.
_FUNCTIONS = frozenset(
    {"where", "exists", "empty", "not", "all", "first", "last", "tail", "skip", "take", "single", "extension"}
    | {"ofType", "as", "is", "count", "contains", "startsWith", "endsWith", "lower", "upper"}
)
_LONGEST_PATH = 500
_LAST_MEMBER = re.compile(r"(.+)\.(\w+)", re.DOTALL)


@dataclass(frozen=True, slots=True)
class _Operation:
    type: str
    path: str
    given: Mapping[str, Any]


def fhirpath_patch(parameters: Tree) -> Callable[[Tree], Tree]:
    """Read a patch from Parameters and answer what carries it out on a tree.

    InvalidInput names everything that makes it no patch; RuleViolation the operation that can't be done.
    """
    if parameters.get("resourceType") != "Parameters":
        raise InvalidInput("A FHIRPath patch is a Parameters resource.", expression="resourceType")
    if faults := errors(parameters):
        raise InvalidInput(faults)
    operations: list[_Operation] = []
    issues: list[Issue] = []
    for place, parameter in enumerate(parameters.get("parameter", ())):
        at = f"Parameters.parameter[{place}]"
        try:
            operations.append(_operation(parameter))
        except ValueError as error:
            issues.append(Issue(f"{error}.", place=Place(expression=at)))
    if issues:
        raise InvalidInput(issues)

    def patch(tree: Tree) -> Tree:
        for place, operation in enumerate(operations):
            try:
                _carry_out(tree, operation)
            except CannotError as error:
                text = (
                    f"Operation {place} ({operation.type} {operation.path[:200]!r}) can't be done: {error}."
                )
                at = Place(expression=f"Parameters.parameter[{place}]")
                raise RuleViolation(Issue(text, place=at)) from None
        return tree

    return patch


def _operation(parameter: Tree) -> _Operation:
    """One operation; ValueError says what it lacks."""
    if parameter.get("name") != "operation":
        raise ValueError("Every parameter of a patch is called 'operation'")
    given: dict[str, Any] = {}
    for part in parameter.get("part", ()):
        name = part.get("name")
        if name in given:
            raise ValueError(f"'{name}' may be given once")
        given[name] = part if name == "value" else part.get(_PLAIN.get(name, ""), part.get("valueString"))
    type_ = given.get("type")
    if type_ not in _NEEDS:
        raise ValueError(f"'type' must be a valueCode, one of {', '.join(_NEEDS)}")
    if missing := sorted(name for name in _NEEDS[type_] if given.get(name) is None):
        kinds = (f"{name} ({_PLAIN[name]})" if name in _PLAIN else name for name in missing)
        raise ValueError(f"'{type_}' needs {' and '.join(kinds)}")
    _expression(given["path"])
    return _Operation(type_, given["path"], given)


def _expression(path: str) -> Expression:
    if len(path) > _LONGEST_PATH:
        raise ValueError(f"A path may have {_LONGEST_PATH} characters")
    try:
        expression = compiled(path)
    except ValueError as error:
        raise ValueError(f"The path is no FHIRPath expression: {error}") from None
    if foreign := sorted(expression.functions - _FUNCTIONS):
        raise ValueError(f"A path can't use {foreign[0]}(); only {', '.join(sorted(_FUNCTIONS))}")
    if expression.variables:
        raise ValueError("A path can't use variables (%)")
    return expression


def _carry_out(tree: Tree, operation: _Operation) -> None:
    match operation.type:
        case "add":
            _add(tree, operation)
        case "delete":
            if places := _places(tree, operation.path):
                _slot(tree, _only(places)).delete()
                prune(tree)
        case "replace":
            slot = _slot(tree, _only(_places(tree, operation.path)))
            slot.replace(_value(operation, slot.element))
        case "insert":
            slot = _list(tree, operation.path)
            slot.insert(operation.given["index"], _value(operation, slot.element))
        case _:
            slot = _list(tree, operation.path)
            slot.move(operation.given["source"], operation.given["destination"])


def _add(tree: Tree, operation: _Operation) -> None:
    place = _only(_places(tree, operation.path))
    type_ = type_at(tree, place)
    table = elements("Element" if is_primitive(type_) else type_)
    element = _element(table, operation.given["name"], operation.given["value"])
    Slot.below(tree, place, element, table).add(_value(operation, element))


def _element(table: Mapping[str, Element], name: str, value: Tree) -> Element:
    """The element called ``name``, or that of a choice which the value's type decides."""
    suffix = next((member[5:] for member in value if member.startswith("value")), "")
    for candidate in (name, name + suffix):
        if candidate in table:
            return table[candidate]
    raise CannotError(f"there is no element '{name[:64]}'")


def _places(tree: Tree, path: str) -> list[Steps]:
    try:
        places = _expression(path).places(tree)
    except ValueError as error:
        raise CannotError(f"the path fails, {error}") from None
    if places is None:
        raise CannotError("the path does not point at elements of the resource")
    return places


def _only(places: list[Steps]) -> Steps:
    if len(places) != 1:
        raise CannotError(f"the path finds {len(places)} elements, it must find one")
    return places[0]


def _slot(tree: Tree, place: Steps) -> Slot:
    """The place of an element that is there."""
    if not place:
        raise CannotError("the path is the resource itself")
    own = place if isinstance(place[-1], str) else place[:-1]
    table = _table(tree, own[:-1])
    name = str(own[-1])
    if name not in table:
        raise CannotError(f"there is no element '{name[:64]}'")
    index = place[-1] if isinstance(place[-1], int) else None
    return Slot.below(tree, own[:-1], table[name], table, index)


def _list(tree: Tree, path: str) -> Slot:
    """The place of the list whose elements the path finds; an empty one is named by the path's last step."""
    places = _places(tree, path)
    if places:
        if len({place[:-1] if place and isinstance(place[-1], int) else () for place in places}) != 1:
            raise CannotError("the path does not find one list")
        return _slot(tree, places[0])
    found = _LAST_MEMBER.fullmatch(path.strip())
    if not found:
        raise CannotError("the path finds no list")
    parent = _only(_places(tree, found[1]))
    table = _table(tree, parent)
    if found[2] not in table:
        raise CannotError(f"there is no element '{found[2][:64]}'")
    return Slot.below(tree, parent, table[found[2]], table)


def _table(tree: Tree, place: Steps) -> Mapping[str, Element]:
    type_ = type_at(tree, place)
    return elements("Element" if is_primitive(type_) else type_)


def _value(operation: _Operation, element: Element) -> Value:
    return _from_part(operation.given["value"], element)


def _from_part(part: Tree, element: Element) -> Value:
    """The value a part carries: a data type, a resource, or the members of a part without type of its own."""
    if "resource" in part:
        return Value(part["resource"], None, "Resource")
    for member, value in part.items():
        if member.startswith(("value", "_value")):
            name = member.removeprefix("_")
            type_ = elements("Parameters.parameter")[name].type
            plain = is_primitive(type_)
            extra = part.get(f"_{name}") if plain else None
            return Value(part.get(name) if plain else value, extra, type_)
    return Value(_assembled(part.get("part", ()), element.type), None, element.type)


def _assembled(parts: Any, type_: str) -> Tree:
    """An object made of the parts of a part, each named as its element."""
    table = elements(type_)
    node: Tree = {}
    for part in parts:
        element = _element(table, str(part.get("name", "")), part)
        Slot(node, element, table).add(_from_part(part, element))
    return node
