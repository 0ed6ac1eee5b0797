"""Reading a tree that may be faulty: what is not of the kind that belongs there is not there."""

from collections.abc import Iterable, Iterator
from decimal import Decimal
from typing import Any

from service.fhir.json import Tree

__all__ = ["coded", "descendants", "distinct", "number", "parts", "text", "texts", "there"]


def there(node: Tree, *names: str) -> bool:
    """Whether one of the elements stands in the node, with a value or with extensions only."""
    return any(name in node or f"_{name}" in node for name in names)


def parts(node: Tree, *path: str) -> list[Tree]:
    """The objects at the end of a path of element names, over all repetitions."""
    found = [node]
    for name in path:
        found = [part for one in found if name in one for part in _objects(one[name])]
    return found


def _objects(value: Any) -> list[Tree]:
    if isinstance(value, dict):
        return [value]
    return [one for one in value if isinstance(one, dict)] if isinstance(value, list) else []


def text(node: Tree, name: str) -> str:
    """The value of a string element, empty if there is none."""
    value = node.get(name)
    return value if isinstance(value, str) else ""


def texts(nodes: Iterable[Tree], name: str) -> Iterator[str]:
    """The values of a string element, repeating or not, in several nodes."""
    for node in nodes:
        value = node.get(name)
        for one in value if isinstance(value, list) else (value,):
            if isinstance(one, str):
                yield one


def number(node: Tree, name: str) -> int | Decimal | None:
    """The value of a number element, None if there is none."""
    value = node.get(name)
    return value if isinstance(value, (int, Decimal)) and not isinstance(value, bool) else None


def distinct(values: Iterable[str]) -> bool:
    """Whether no value is there twice."""
    found = list(values)
    return len(set(found)) == len(found)


def coded(node: Tree, name: str, system: str, *codes: str) -> bool:
    """Whether a CodeableConcept, repeating or not, has a coding of the system with one of the codes."""
    return any(
        coding.get("system") == system and coding.get("code") in codes
        for coding in parts(node, name, "coding")
    )


def descendants(node: Any) -> Iterator[Tree]:
    """Every object below a node, without the node, in no particular order."""
    waiting = [node]
    while waiting:
        one = waiting.pop()
        for value in one.values() if isinstance(one, dict) else one:
            if isinstance(value, dict):
                yield value
                waiting.append(value)
            elif isinstance(value, list):
                waiting.append(value)
