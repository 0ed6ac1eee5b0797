"""The elements of a StructureDefinition as a tree: children and slices by name."""

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace

from service.fhir.json import Tree

__all__ = ["Node", "Step", "by_path", "flat", "from_elements", "steps_of"]

Step = tuple[str, str]
"""An element's name and the slice of it, empty where it is the element itself."""


@dataclass(slots=True)
class Node:
    """One ElementDefinition and what stands below it.

    ``path`` is where the standard defines it (``Observation.component``), whatever walked there.
    ``children`` is None as long as nobody looked into its type. ``choices`` are the types the standard
    allows, which decide how a choice may be written even where a profile narrows it.
    """

    name: str
    element: Tree
    path: str
    choices: tuple[str, ...] = ()
    children: dict[str, "Node"] | None = None
    slices: dict[str, "Node"] = field(default_factory=dict)

    @property
    def types(self) -> tuple[str, ...]:
        """The codes of its types."""
        return tuple(type_["code"] for type_ in self.element.get("type", ()) if "code" in type_)

    def copy(self) -> "Node":
        """Answer a tree of its own; ElementDefinitions are never changed in place and stay shared."""
        children = self.children and {name: child.copy() for name, child in self.children.items()}
        slices = {name: one.copy() for name, one in self.slices.items()}
        return replace(self, children=children, slices=slices)


def from_elements(elements: Sequence[Tree]) -> Node:
    """Build the tree of a snapshot; ValueError if an element stands before what it is part of."""
    first = elements[0]
    root = Node(first["path"], first, first["path"])
    before: tuple[Step, ...] = ()
    for element in elements[1:]:
        before = steps_of(element, before)
        _place(root, before, element)
    return root


def steps_of(element: Tree, before: Sequence[Step]) -> tuple[Step, ...]:
    """Answer the way to an element below the root: by its id, else by path and what came ``before``."""
    names = element["path"].split(".")
    id_ = element.get("id", "")
    found = _by_id(id_, names)
    if found:
        return tuple(zip(names[1:], (part or "" for part in found.groups()[1:]), strict=True))
    if id_.count(".") == len(names) - 1:
        parts = (part.partition(":") for part in id_.split(".")[1:])
        return tuple((name, slice_) for name, _, slice_ in parts)
    return tuple(_walked(names[1:], element.get("sliceName", ""), before))


def by_path(element: Tree) -> Tree:
    """Answer the element without its id, where that names other elements than its path."""
    if _by_id(element.get("id", ""), element["path"].split(".")):
        return element
    return {name: value for name, value in element.items() if name != "id"}


def _by_id(id_: str, names: Sequence[str]) -> re.Match[str] | None:
    return re.fullmatch(r"\.".join(rf"{re.escape(name)}(?::(.+?))?" for name in names), id_)


def flat(root: Node) -> Iterator[tuple[str, Node]]:
    """Every element that was walked into with its id, in order, slices after what they are slices of."""
    yield from _flat(root, root.name)


def _flat(node: Node, id_: str) -> Iterator[tuple[str, Node]]:
    yield id_, node
    for child in (node.children or {}).values():
        yield from _flat(child, f"{id_}.{child.name}")
    yield from _sliced(node, id_.rpartition(":")[0] if "sliceName" in node.element else id_)


def _sliced(node: Node, id_: str) -> Iterator[tuple[str, Node]]:
    for name, one in node.slices.items():
        yield from _flat(one, f"{id_}:{name}")


def _walked(names: Iterable[str], slice_: str, before: Sequence[Step]) -> Iterator[Step]:
    """Without ids, what follows a slice is about that slice."""
    known = True
    last = len(tuple(names)) - 1
    for place, name in enumerate(names):
        known = known and place < len(before) and before[place][0] == name
        yield name, slice_ if place == last else before[place][1] if known else ""


def _place(root: Node, steps: Sequence[Step], element: Tree) -> None:
    node = root
    for name, _ in steps[:-1]:
        node = _at(node, name, _)
    name, slice_ = steps[-1]
    children = node.children = node.children if node.children is not None else {}
    made = Node(name, element, element.get("base", {}).get("path") or element["path"])
    made.choices = made.types
    if not slice_:
        children[name] = made
        return
    if name not in children:
        raise ValueError(f"{element.get('id')} is a slice of an element that is not there")
    holder = children[name]
    made.choices = holder.choices
    for before, one in holder.slices.items():
        if slice_.startswith(f"{before}/"):
            holder = one
    holder.slices[slice_] = made


def _at(node: Node, name: str, slice_: str) -> Node:
    child = (node.children or {}).get(name)
    if child is None:
        raise ValueError(f"{name} is described in part before it is described itself")
    found = child.slices.get(slice_, child) if slice_ else child
    nested = (one.slices[slice_] for one in child.slices.values() if slice_ in one.slices)
    return next(nested, found) if slice_ else found
