"""Where the faults of a resource are told: at an element that is there (operationoutcome.html)."""

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Any

from service.errors import Issue, Place
from service.fhir.elements import elements, is_primitive, is_resource
from service.fhir.json import Tree
from service.fhir.positions import Step, steps
from service.fhir.validation.fault import Fault

__all__ = ["told"]

_ABSENT: Any = object()


def told(faults: Iterable[Fault], resource: Tree, *, at: str = "") -> tuple[Issue, ...]:
    """Answer the issues of the faults of a resource, each once.

    ``at`` is the expression of the resource when it lies inside another (``Bundle.entry[3].resource``). An
    expression leads to an element that exists: of what is missing, or is no element, to what it is missing
    from or stands in. Choices have the name that FHIRPath knows (``value``). ``Place.path`` keeps the way as
    the text has it, so that line and column are those of the very member.
    """
    type_ = resource.get("resourceType")
    root = at or (type_ if isinstance(type_, str) and is_resource(type_) else "")
    return tuple(dict.fromkeys(_issue(fault, resource, root) for fault in faults))


def _issue(fault: Fault, resource: Tree, root: str) -> Issue:
    path = f"{root}{fault.path}".removeprefix(".")
    expression = root + _existing(resource, steps(f"_{fault.path}")[1:]) if root else ""
    place = Place(expression=expression)
    if path != expression:
        place = replace(place, path=path)
    return Issue(fault.message, fault.severity, fault.code, place, fault.rule)


def _existing(resource: Tree, way: Sequence[Step]) -> str:
    """The expression of the last element on the way that is there, from below the resource."""
    found, value, beside, type_ = "", resource, _ABSENT, _type_of(resource, "")
    for step in way:
        if isinstance(step, int):
            value, beside = _item(value, step), _item(beside, step)
            name = f"[{step}]"
        else:
            element = elements(type_).get(step)
            if element is None:
                return found
            value, beside = _beside(value, beside, step)
            type_ = "Element" if is_primitive(element.type) else element.type
            name = f".{element.choice or step}"
        if value is _ABSENT and beside is _ABSENT:
            return found
        type_ = _type_of(value, type_)
        found += name
    return found


def _beside(value: Any, beside: Any, name: str) -> tuple[Any, Any]:
    """A member and the one of its id and extensions; those of a primitive value stand beside it."""
    node = value if isinstance(value, dict) else beside if isinstance(beside, dict) else {}
    return node.get(name, _ABSENT), node.get(f"_{name}", _ABSENT)


def _item(values: Any, place: int) -> Any:
    return values[place] if isinstance(values, list) and place < len(values) else _ABSENT


def _type_of(value: Any, type_: str) -> str:
    """The type of a resource is told by itself."""
    if type_ in {"", "Resource"} and isinstance(value, dict):
        own = value.get("resourceType")
        return own if isinstance(own, str) else type_
    return type_
