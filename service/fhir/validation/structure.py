"""Elements, their number, kinds and forms: the published element tables compiled to functions.

A check answers None for what is right, so that nothing is built in the usual case. A type is compiled when it
is first met, and of it only the elements that are met.
"""

from collections.abc import Callable
from functools import cache
from typing import Any

from service.errors import IssueType
from service.fhir.elements import Element, elements, is_primitive, is_resource
from service.fhir.json import Tree
from service.fhir.validation.extensions import extensions
from service.fhir.validation.fault import Fault
from service.fhir.validation.laws import element_rules, laws
from service.fhir.validation.narrative import narrative
from service.fhir.validation.primitives import ELEMENT_ID, NULL, SINGLE, explain, holds
from service.fhir.validation.scope import Check, Found, Scope, joined
from service.fhir.validation.siblings import aligned, with_places

__all__ = ["parts", "resource"]

_REQUIRED = "The element {} is required."
_UNKNOWN = "There is no element '{}' here; check its spelling or remove it."
_EMPTY_OBJECT = "An object must not be empty; leave the element out."
_EMPTY_ARRAY = "An array must not be empty; leave the element out."
_ONLY_ID = "An element needs a value, parts or extensions, not only an id."
_PARTS = "This element has parts; write it as a JSON object."
_REPEATS = "This element repeats; write it as a JSON array."
_NOT_A_RESOURCE = "A resource must be a JSON object."
_NO_TYPE = "A resource needs its resourceType."
_TYPE = "resourceType"


def resource(node: Any, scope: Scope) -> Found:
    """Check a resource; ``scope`` is its own."""
    if type(node) is not dict:
        return [_structural("", _NOT_A_RESOURCE)]
    type_ = node.get(_TYPE)
    if not isinstance(type_, str):
        return [_structural(f".{_TYPE}", _NO_TYPE, IssueType.REQUIRED)]
    if not is_resource(type_):
        text = f"'{type_[:64]}' is not a resource type of FHIR R4 (names are case-sensitive)."
        return [_structural(f".{_TYPE}", text)]
    return parts(type_)(node, scope)


@cache
def parts(type_: str) -> Check:
    """Answer the check of a type or part with elements of its own, written as an object."""
    members, missing, rules = _Members(type_), _missing(type_), laws(type_)

    def check(node: Any, scope: Scope) -> Found:
        if type(node) is not dict:
            return _not_parts(node)
        found: Found = None
        for name, value in node.items():
            if (faults := members[name](value, scope)) is not None:
                found = joined(found, members.beside(name, node, faults))
        if (faults := missing(node)) is not None:
            found = joined(found, faults)
        for rule in rules:
            if (faults := rule(node, scope)) is not None:
                found = joined(found, faults)
        return found or None

    return check


def _missing(type_: str) -> Callable[[Tree], Found]:
    """What tells which elements have to be there and are not, and which choices are made twice."""
    needed, choices = _needed(type_), _choices(type_)
    missed = {name: _structural(f".{name}", _REQUIRED.format(name), IssueType.REQUIRED) for name in needed}

    def check(node: Tree) -> Found:
        if len(node) < 2 and (not node or "id" in node):
            return [_structural("", _ONLY_ID if node else _EMPTY_OBJECT)]
        found: Found = None
        for name in needed:
            if name not in node and f"_{name}" not in node:
                found = joined(found, [missed[name]])
        for names, least in choices:
            if len(given := names.intersection(node)) != 1 and (given or least):
                found = joined(found, _chosen(names, given))
        return found or None

    return check


class _Members(dict[str, Check]):
    """The checks of a type's members, compiled when first asked for."""

    def __init__(self, type_: str) -> None:
        super().__init__()
        self._type = type_
        self._elements = elements(type_)
        self["id"] = _primitive("id" if is_resource(type_) else ELEMENT_ID)
        if is_resource(type_):
            self[_TYPE] = _right

    def __missing__(self, name: str) -> Check:
        element = self._elements.get(name.removeprefix("_"))
        if element is None or (name != element.name and not is_primitive(element.type)):
            return lambda _, __: [_structural("", _UNKNOWN.format(name[:64]))]  # not kept: no end of names
        of = f"{self._type}.{element.name}"
        self[name] = compiled = _sibling(element, of) if name != element.name else _member(element, of)
        return compiled

    def beside(self, name: str, node: Tree, faults: list[Fault]) -> list[Fault]:
        """The faults of a member in view of the member beside it, with or without ``_`` before its name."""
        element = self._elements.get(name.removeprefix("_"))
        if element and is_primitive(element.type):
            if name == element.name:
                faults = with_places(faults, node.get(f"_{name}"))
            else:
                faults = [*faults, *aligned(node[name], node.get(element.name), element)]
        # FHIRPath knows one element, in whichever of the two members something stands
        at = element.name if element and is_primitive(element.type) else name
        return [fault._replace(path=f".{at}{fault.path}") for fault in faults]


def _member(element: Element, path: str) -> Check:
    one = _primitive(element.type) if is_primitive(element.type) else _complex(element)
    if also := element_rules(element, path):
        one = _with(one, also, str if is_primitive(element.type) else dict)
    return _many(one) if element.repeats else one


def _with(one: Check, also: tuple[Check, ...], kind: type) -> Check:
    def check(value: Any, scope: Scope) -> Found:
        found = one(value, scope)
        if type(value) is kind:
            for rule in also:
                if (faults := rule(value, scope)) is not None:
                    found = joined(found, faults)
        return found

    return check


def _primitive(type_: str) -> Check:
    if type_ == "xhtml":
        return narrative
    right = holds(type_)

    def check(value: Any, _: Scope) -> Found:
        return None if right(value) else explain(type_, value)

    return check


def _complex(element: Element) -> Check:
    return _inner if element.type == "Resource" else parts(element.type)


def _inner(node: Any, scope: Scope) -> Found:
    return resource(node, Scope(node, scope) if type(node) is dict else scope)


def _many(one: Check) -> Check:
    def check(values: Any, scope: Scope) -> Found:
        if type(values) is not list:
            return [_structural("", NULL if values is None else _REPEATS)]
        if not values:
            return [_structural("", _EMPTY_ARRAY)]
        found: Found = None
        for place, value in enumerate(values):
            if (faults := one(value, scope)) is not None:
                under = [fault._replace(path=f"[{place}]{fault.path}") for fault in faults]
                found = joined(found, under)
        return found

    return check


def _sibling(element: Element, path: str) -> Check:
    """The id and extensions of a primitive value; never None, so that they are held against the value."""
    members, own = _Members("Element"), extensions(path, element.type)

    def one(node: Any, scope: Scope) -> Found:
        if type(node) is not dict:
            return _not_parts(node)
        if not node:
            return [_structural("", _EMPTY_OBJECT)]
        found: list[Fault] = []
        for name, value in node.items():
            if (faults := members[name](value, scope)) is not None:
                found += members.beside(name, node, faults)
        return [*found, *(own(node, scope) or ())]

    every = _many(lambda node, scope: None if node is None else one(node, scope)) if element.repeats else one
    return lambda value, scope: every(value, scope) or []


def _right(_: Any, __: Scope) -> Found:
    return None


def _not_parts(node: Any) -> list[Fault]:
    if isinstance(node, list):
        return [_structural("", SINGLE if node else _EMPTY_ARRAY)]
    return [_structural("", NULL if node is None else _PARTS)]


def _needed(type_: str) -> tuple[str, ...]:
    """The elements that have to be there; choices are looked at apart."""
    return tuple(one.name for one in elements(type_).values() if one.least and not one.choice)


def _choices(type_: str) -> tuple[tuple[frozenset[str], bool], ...]:
    """The names of each choice, with and without ``_``, and whether one has to be there."""
    found: dict[str, list[Element]] = {}
    for element in elements(type_).values():
        if element.choice:
            found.setdefault(element.choice, []).append(element)
    return tuple(
        (frozenset(f"{mark}{one.name}" for one in those for mark in ("", "_")), bool(those[0].least))
        for those in found.values()
    )


def _chosen(names: frozenset[str], given: frozenset[str]) -> list[Fault]:
    stems = sorted({name.removeprefix("_") for name in given})
    if len(stems) == 1:
        return []
    every = sorted(name for name in names if not name.startswith("_"))
    listed = ", ".join(every if len(every) <= 12 or not stems else stems)
    if stems:
        return [_structural("", f"Only one of these may be given: {listed}.", IssueType.INVARIANT)]
    return [_structural("", f"One of these is required: {listed}.", IssueType.REQUIRED)]


def _structural(path: str, message: str, code: IssueType = IssueType.STRUCTURE) -> Fault:
    return Fault(path, message, code)
