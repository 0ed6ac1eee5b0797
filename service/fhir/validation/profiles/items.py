"""The values of an element in a resource, each with its place and type."""

from collections.abc import Callable, Iterator, Mapping
from itertools import zip_longest
from typing import Any, NamedTuple

from service.fhir.elements import ANY_RESOURCE
from service.fhir.json import Tree
from service.fhir.validation.profiles.nodes import Node

__all__ = ["Gather", "Item", "gatherer", "whole"]

_PRIMITIVE = (str, bool, int)
_SYSTEM = "http://hl7.org/fhirpath/"


class Item(NamedTuple):
    """One value. ``extra`` is the id and extensions of a primitive, ``path`` where it stands in the resource.

    ``value`` is None where a primitive has extensions only. ``type`` is a type's name, for a part the path
    where the standard defines it.
    """

    value: Any
    extra: Tree | None
    type: str
    path: str

    @property
    def members(self) -> Mapping[str, Any]:
        """What stands below it."""
        if isinstance(self.value, dict):
            return self.value
        return self.extra or {}


Gather = Callable[[Item], list[Item]]


def whole(resource: Tree, path: str = "") -> Item:
    """A resource as a value."""
    return Item(resource, None, str(resource.get("resourceType", "")), path)


def gatherer(node: Node) -> Gather:
    """Answer how the values of an element are found in what it is part of."""
    stem = node.name.removesuffix("[x]")
    if stem == node.name:
        type_ = node.choices[0] if node.choices and not node.choices[0].startswith(_SYSTEM) else ""
        plain = _type(node, type_)
        return lambda parent: _values(parent, stem, plain)
    names = {stem + code[0].upper() + code[1:]: code for code in node.choices}

    def gather(parent: Item) -> list[Item]:
        given = dict.fromkeys(name.removeprefix("_") for name in parent.members)
        return [item for name in given if name in names for item in _values(parent, name, names[name])]

    return gather


def _type(node: Node, code: str) -> str:
    return node.path if code in {"", "BackboneElement", "Element"} else code


def _values(parent: Item, name: str, type_: str) -> list[Item]:
    members = parent.members
    value: Any = members.get(name)
    extra: Any = members.get(f"_{name}")
    if value is None and extra is None:
        return []
    path = f"{parent.path}.{name}"
    if not isinstance(value, list) and not isinstance(extra, list):
        return [_item(value, extra, type_, path)]
    if extra is None:
        return [
            _item(one, None, type_, f"{path}[{place}]") for place, one in enumerate(value) if one is not None
        ]
    return list(_with_extras(value, extra, type_, path))


def _with_extras(value: Any, extra: Any, type_: str, path: str) -> Iterator[Item]:
    values = value if isinstance(value, list) else []
    extras = extra if isinstance(extra, list) else []
    for place, (one, beside) in enumerate(zip_longest(values, extras)):
        if one is not None or beside is not None:
            yield _item(one, beside, type_, f"{path}[{place}]")


def _item(value: Any, extra: Any, type_: str, path: str) -> Item:
    if isinstance(value, dict) and type_ in ANY_RESOURCE:
        type_ = str(value.get("resourceType", type_))
    return Item(value, extra if isinstance(extra, dict) else None, type_, path)
