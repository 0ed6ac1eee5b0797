"""Reading forms and their answers leniently: what is not of the right kind counts as not there."""

from typing import Any

from service.fhir.elements import STRUCTURES
from service.fhir.json import Tree
from service.fhir.validation.reading import text

__all__ = ["answers", "extensions", "link_id", "objects", "value_of"]


def objects(node: Tree, name: str) -> list[tuple[int, Tree]]:
    """The objects of a list, each with its place."""
    found = node.get(name)
    listed = found if isinstance(found, list) else []
    return [(place, one) for place, one in enumerate(listed) if isinstance(one, dict)]


def link_id(item: Tree) -> str:
    """The linkId of an item, empty if it has none."""
    return text(item, "linkId")


def value_of(node: Tree, stem: str = "value") -> tuple[str, Any]:
    """The type and value of a choice: ``("Coding", {...})``; ``("", None)`` if there is none."""
    for name, value in node.items():
        if name.startswith(stem) and name[len(stem) : len(stem) + 1].isupper():
            return name.removeprefix(stem), value
    return "", None


def answers(item: Tree) -> list[tuple[int, str, Any]]:
    """The answers of an item that have a value: place, type, value."""
    found = [(place, *value_of(answer)) for place, answer in objects(item, "answer")]
    return [one for one in found if one[1]]


def extensions(item: Tree, name: str) -> list[Any]:
    """The values of the extensions of this name among those that HL7 publishes with R4."""
    return [
        value_of(one)[1] for _, one in objects(item, "extension") if one.get("url") == f"{STRUCTURES}{name}"
    ]
