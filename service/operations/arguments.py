"""What an operation is called with, checked against its OperationDefinition (FHIR R4 operations.html).

The definitions are data, ``mappings/operations/``: one file per operation, published by the service itself.
"""

import re
from collections.abc import Mapping, Sequence
from functools import cache
from typing import Any

from service.errors import InvalidInput, Issue, IssueType, Place
from service.fhir.elements import is_resource
from service.fhir.json import Tree, parse, reread
from service.fhir.validation import errors
from service.shipped import shipped

__all__ = ["Arguments", "arguments", "definition", "definition_text", "definitions", "primitives"]

Arguments = dict[str, list[Any]]
"""Values by parameter: a primitive as text, a complex value or a resource as a tree."""

_SHAPES = {
    "boolean": "true|false",
    "integer": "0|[-+]?[1-9][0-9]{0,9}",
    "positiveInt": "[1-9][0-9]{0,9}",
    "unsignedInt": "0|[1-9][0-9]{0,9}",
    "code": r"[^\s]+( [^\s]+)*",
    "id": r"[A-Za-z0-9\-.]{1,64}",
    "date": None,
    "dateTime": None,
    "instant": None,
    "string": None,
    "uri": r"\S+",
    "canonical": r"\S+",
}
"""The primitive types used, and the shape of their text; dates are read where the zone is known."""


@cache
def definitions() -> tuple[str, ...]:
    """The names of every operation's definition."""
    return tuple(sorted(file.stem for file in shipped("mappings", "operations").glob("*.json")))


@cache
def definition(name: str) -> Tree:
    """The OperationDefinition of that name; KeyError if there is none."""
    return reread(definition_text(name))


@cache
def definition_text(name: str) -> bytes:
    """Its text; KeyError if there is none."""
    if name not in definitions():
        raise KeyError(name)
    return shipped("mappings", "operations", f"{name}.json").read_bytes()


def arguments(
    name: str, query: Sequence[tuple[str, str]], body: bytes = b"", *, max_depth: int = 64
) -> Arguments:
    """Read the parameters in the address and in a Parameters body; both hold together.

    A body that is the one resource the operation takes is read as that parameter.

    InvalidInput names every parameter that is unknown, missing, given too often or of another type.
    """
    known = {one["name"]: one for one in definition(name)["parameter"] if one["use"] == "in"}
    issues: list[Issue] = []
    found: Arguments = {}
    resources = {one["type"]: name for name, one in known.items() if is_resource(one["type"])}
    given: list[tuple[str, str | Tree]] = [*query, *_parameters(body, max_depth, resources)]
    for said, value in given:
        parameter = known.get(said)
        if parameter is None:
            able = ", ".join(known) or "none"
            issues.append(
                _issue(said, f"'{said[:64]}' is not a parameter of this operation; there is: {able}.")
            )
        elif (text := _read(parameter["type"], value)) is None:
            issues.append(_issue(said, f"Parameter '{said}' must be of type {parameter['type']}."))
        else:
            found.setdefault(said, []).append(text)
    issues += _counted(known, found)
    if issues:
        raise InvalidInput(issues)
    return found


def primitives(body: bytes, max_depth: int = 64) -> list[tuple[str, str]]:
    """Read a Parameters body whose values are all primitive, as the pairs an address would hold."""
    pairs: list[tuple[str, str]] = []
    for name, entry in _parameters(body, max_depth, {}):
        value = next((value for member, value in entry.items() if member.startswith("value")), None)
        if value is None or isinstance(value, (dict, list)):
            raise InvalidInput([_issue(name, f"Parameter '{name[:64]}' must be a primitive value.")])
        pairs.append((name, str(value).lower() if isinstance(value, bool) else str(value)))
    return pairs


def _parameters(body: bytes, max_depth: int, resources: Mapping[str, str]) -> list[tuple[str, Tree]]:
    """Name and whole entry of each parameter of a Parameters resource; an empty body has none.

    ``resources``: the types that may be sent without Parameters around them, and the parameters they are.
    """
    if not body.strip():
        return []
    tree = parse(body, max_depth=max_depth)
    type_ = str(tree.get("resourceType"))
    if type_ != "Parameters" and type_ not in resources:
        raise InvalidInput("The body must be a Parameters resource.", expression="resourceType")
    if problems := errors(tree):
        raise InvalidInput(problems)
    if type_ in resources:
        return [(resources[type_], {"resource": tree})]
    return [(one["name"], one) for one in tree.get("parameter", [])]


def _read(type_: str, value: str | Tree) -> Any:
    """The value if it is of the type, else None."""
    if isinstance(value, str):  # from the address, which can hold primitives alone
        return value if type_ in _SHAPES and _shaped(type_, value) else None
    if is_resource(type_):
        resource = value.get("resource", {})
        return resource if resource.get("resourceType") == type_ else None
    member = value.get("value" + type_[0].upper() + type_[1:])
    if type_ not in _SHAPES:
        return member if isinstance(member, dict) else None
    if type_ == "boolean":
        return {True: "true", False: "false"}.get(member) if isinstance(member, bool) else None
    wanted = int if type_ in {"integer", "positiveInt", "unsignedInt"} else str
    return str(member) if type(member) is wanted and _shaped(type_, str(member)) else None


def _shaped(type_: str, text: str) -> bool:
    shape = _SHAPES[type_]
    return shape is None or re.fullmatch(shape, text) is not None


def _counted(known: dict[str, Tree], found: Arguments) -> list[Issue]:
    issues: list[Issue] = []
    for name, parameter in known.items():
        times = len(found.get(name, ()))
        if times < parameter["min"]:
            issues.append(_issue(name, f"Parameter '{name}' is required.", IssueType.REQUIRED))
        if parameter["max"] != "*" and times > int(parameter["max"]):
            issues.append(_issue(name, f"Give '{name}' at most {parameter['max']} time(s)."))
    return issues


def _issue(name: str, message: str, code: IssueType = IssueType.INVALID) -> Issue:
    return Issue(message, code=code, place=Place(expression=f"http.{name[:64]}"))
