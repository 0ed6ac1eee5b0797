"""The FHIRPath of search parameters, compiled into routes through a resource.

The published expressions use a small part of FHIRPath: paths, ``|``, ``as``/``ofType``, ``where(x='y')``,
``where(resolve() is Type)`` and, once, ``exists() and … != false``. A test holds what is found against a
FHIRPath engine over every official example.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from typing import Any

from service.fhir.elements import elements
from service.fhir.json import Tree
from service.fhir.references import local_target

__all__ = ["Filter", "Route", "found", "routes"]

_CAST = re.compile(r"\((\S+) as (\w+)\)(.*)", re.DOTALL)
_STEP = re.compile(r"(\w+)(?:\((.*)\))?", re.DOTALL)
_EQUALS = re.compile(r"(\w+)='([^']*)'")
_IS = re.compile(r"resolve\(\) is (\w+)")
_BASES = {
    **dict.fromkeys(("canonical", "oid", "url", "uuid"), "uri"),
    **dict.fromkeys(("code", "id", "markdown"), "string"),
    **dict.fromkeys(("positiveInt", "unsignedInt"), "integer"),
    **dict.fromkeys(("Age", "Count", "Distance", "Duration"), "Quantity"),
}
"""What a type is a special case of: its values are values of that type, too."""
_TRUTH = re.compile(r"(\S+)\.exists\(\) and \1 != false")


@dataclass(frozen=True, slots=True)
class Filter:
    """A step that keeps some nodes: where ``member`` is ``value``, or that refer to a ``target`` type."""

    member: str = ""
    value: str = ""
    target: str = ""

    def keeps(self, node: Any) -> bool:
        """Whether a node passes."""
        if not isinstance(node, dict):
            return False
        if self.target:
            return _type_of(node) == self.target
        return bool(node.get(self.member) == self.value)


@dataclass(frozen=True, slots=True)
class Route:
    """One way to values: member names and filters, the FHIR type at its end and that element's path.

    ``truth`` asks whether there is a value other than false, rather than for the value.
    """

    steps: tuple[str | Filter, ...]
    type: str
    path: str
    truth: bool = False


@cache
def routes(type_: str, expression: str) -> tuple[Route, ...]:
    """Answer every route of an expression on ``type_``; ValueError for FHIRPath that is not in use."""
    return tuple(route for part in expression.split(" | ") for route in _alternative(type_, part))


def found(resource: Tree, route: Route) -> list[Any]:
    """Answer the nodes at the end of a route, in order."""
    nodes: list[Any] = [resource]
    for step in route.steps:
        if isinstance(step, Filter):
            nodes = [node for node in nodes if step.keeps(node)]
        else:
            nodes = [inner for node in nodes for inner in _members(node, step)]
    return nodes


def _members(node: Any, name: str) -> Iterator[Any]:
    inner = node.get(name) if isinstance(node, dict) else None
    values = inner if isinstance(inner, list) else [inner]
    return (value for value in values if value is not None)


def _type_of(reference: Tree) -> str:
    """The type a Reference names: by its address, else by its own word."""
    text = reference.get("reference")
    named = local_target(text) if isinstance(text, str) else ""
    if not named and isinstance(text, str):  # at another service
        named = "/".join(text.partition("/_history/")[0].split("/")[-2:])
    return named.partition("/")[0] or str(reference.get("type", ""))


def _alternative(type_: str, text: str) -> Iterator[Route]:
    if truth := _TRUTH.fullmatch(text):
        for route in _alternative(type_, truth[1]):
            yield Route(route.steps, "boolean", route.path, truth=True)
        return
    if cast := _CAST.fullmatch(text):
        text = f"{cast[1]}.ofType({cast[2]}){cast[3]}"
    _, *steps = _split(text)
    ends = [Route((), type_, type_)]
    for step in steps:
        name, argument = _parsed(step)
        ends = [after for end in ends for after in _next(end, name, argument)]
        if not ends:
            raise ValueError(f"no element '{step}' in '{text}'")
    yield from ends


def _split(text: str) -> list[str]:
    """Split at the dots that are not inside parentheses."""
    return [part for part in re.split(r"\.(?![^(]*\))", text) if part]


def _parsed(step: str) -> tuple[str, str | None]:
    read = _STEP.fullmatch(step)
    if not read:
        raise ValueError(f"'{step}' is not understood")
    return read[1], read[2]


def _next(end: Route, name: str, argument: str | None) -> Iterator[Route]:
    if argument is None:
        yield from _children(end, name)
    elif name in {"as", "ofType"}:
        wanted = argument.lower()  # the standard writes both DateTime and dateTime
        if wanted in {end.type.lower(), _BASES.get(end.type, "").lower()}:
            yield end
    elif name == "where":
        yield Route((*end.steps, _filter(argument)), end.type, end.path)
    else:
        raise ValueError(f"the function '{name}' is not in use")


def _children(end: Route, name: str) -> Iterator[Route]:
    for element in elements(end.type).values():
        if name in {element.choice, element.name} and not (element.choice and name == element.name):
            path = f"{end.type}.{element.choice or element.name}"
            yield Route((*end.steps, element.name), element.type, path)


def _filter(argument: str) -> Filter:
    if equals := _EQUALS.fullmatch(argument):
        return Filter(member=equals[1], value=equals[2])
    if is_type := _IS.fullmatch(argument):
        return Filter(target=is_type[1])
    raise ValueError(f"the condition '{argument}' is not in use")
