"""Whether a resource can be stored and searched at all: its JSON has the kinds R4 gives its elements.

What is left for the rules (missing elements, forms of values, codes, invariants) does not stand in the way of
keeping what was sent.
"""

from collections.abc import Iterator
from decimal import Decimal
from typing import Any

from service.errors import IssueType
from service.fhir.elements import Element, elements, is_resource
from service.fhir.json import Tree
from service.fhir.validation.fault import Fault

__all__ = ["misshapen"]

_KINDS = {"number": (int, Decimal), "boolean": (bool,), "string": (str,), "xhtml": (str,)}
_SIBLING = Element("", "Element", 0, 0, False, False, False, False, "")


def misshapen(resource: Tree) -> tuple[Fault, ...]:
    """Answer each element that is not of the kind it has to be, or is none of R4's."""
    return tuple(_resource(resource, ""))


def _resource(node: Any, at: str) -> Iterator[Fault]:
    type_ = node.get("resourceType") if isinstance(node, dict) else None
    if isinstance(type_, str) and is_resource(type_):
        yield from _parts(node, type_, at)
    else:
        yield _fault(at, "a resource of a type that R4 has")


def _parts(node: Tree, type_: str, at: str) -> Iterator[Fault]:
    known = elements(type_)
    for name, value in node.items():
        element = known.get(name)
        if name == "resourceType" and is_resource(type_):
            continue
        if element is not None:
            yield from _element(value, element, f"{at}.{name}")
        elif (sibling := known.get(name.removeprefix("_"))) and sibling.kind in _KINDS:
            yield from _siblings(value, sibling, f"{at}.{name}")
        else:
            yield Fault(f"{at}.{name}", f"There is no element '{name[:64]}' here.", IssueType.STRUCTURE)


def _element(value: Any, element: Element, at: str) -> Iterator[Fault]:
    if not element.repeats:
        yield from _one(value, element, at)
    elif not isinstance(value, list) or not value:
        yield _fault(at, "an array with something in it")
    else:
        for place, one in enumerate(value):
            if one is not None or element.kind not in _KINDS:
                yield from _one(one, element, f"{at}[{place}]")


def _siblings(value: Any, element: Element, at: str) -> Iterator[Fault]:
    """Ids and extensions of primitive values."""
    if element.repeats and not isinstance(value, list):
        yield _fault(at, "an array")
        return
    for place, one in enumerate(value) if element.repeats else [(0, value)]:
        if one is not None or not element.repeats:
            yield from _one(one, _SIBLING, f"{at}[{place}]" if element.repeats else at)


def _one(value: Any, element: Element, at: str) -> Iterator[Fault]:
    kind = element.kind
    if kind == "resource":
        yield from _resource(value, at)
    elif kind == "parts":
        if isinstance(value, dict) and value:
            yield from _parts(value, element.type, at)
        else:
            yield _fault(at, "an object with something in it")
    elif not isinstance(value, _KINDS[kind]) or (kind == "number" and isinstance(value, bool)):
        yield _fault(at, f"a {kind.replace('xhtml', 'string')}")


def _fault(at: str, wanted: str) -> Fault:
    return Fault(at, f"This must be {wanted}, so that it can be stored.", IssueType.STRUCTURE)
