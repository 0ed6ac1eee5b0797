"""Changing one element of a resource's tree: its value, and beside a primitive its id and extensions."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple

from service.fhir.elements import Element, is_primitive
from service.fhir.json import Tree

__all__ = ["CannotError", "Slot", "Value", "prune"]


class CannotError(Exception):
    """An operation can't be carried out on this resource; the argument says why."""


class Value(NamedTuple):
    """A value of a type; ``extra`` is what a primitive has besides, its id and extensions."""

    value: Any
    extra: Tree | None
    type: str


@dataclass(slots=True)
class Slot:
    """An element of ``owner``; ``index`` is the place in its list where the element repeats and is there.

    ``table`` are all elements of the owner.
    """

    owner: Tree
    element: Element
    table: Mapping[str, Element]
    index: int | None = None

    @classmethod
    def below(
        cls,
        tree: Tree,
        place: tuple[str | int, ...],
        element: Element,
        table: Mapping[str, Element],
        index: int | None = None,
    ) -> "Slot":
        """The slot of ``element`` at ``place``; what a primitive has besides its value is made if absent."""
        node: Any = tree
        for number, step in enumerate(place):
            if isinstance(node, dict) and not isinstance(node.get(step), (dict, list)):
                node = _besides(node, str(step))
                continue
            inner = node[step]
            if isinstance(node, list) and not isinstance(inner, (dict, list)):
                owner = _at(tree, place[: number - 1])
                node = _besides_in_list(owner, str(place[number - 1]), int(step))
                continue
            node = inner
        return cls(node, element, table, index)

    @property
    def _names(self) -> tuple[str, str]:
        return self.element.name, f"_{self.element.name}"

    def add(self, new: Value) -> None:
        """Put a value where there is none, or at the end of the list."""
        self._fits(new)
        if self.element.repeats:
            self.insert(self._length(), new)
        elif any(name in self.owner for name in self._taken()):
            raise CannotError(f"'{self.element.choice or self.element.name}' is there already; use replace")
        else:
            self._set(new)

    def insert(self, index: int, new: Value) -> None:
        """Put a value into the list before ``index``."""
        self._fits(new)
        self._repeating()
        length = self._length()
        if not 0 <= index <= length:
            raise CannotError(f"the list has {length} elements, so that index {index} is not in it")
        for name, value in zip(self._names, new, strict=False):
            if name in self.owner or value is not None:
                found = self.owner.setdefault(name, [])
                found.extend([None] * (length - len(found)))
                found.insert(index, value)

    def delete(self) -> None:
        """Take the element away, and the list with its last one."""
        for name in self._names:
            if self.index is None:
                self.owner.pop(name, None)
            elif name in self.owner:
                if self.index < len(self.owner[name]):
                    del self.owner[name][self.index]
                if all(value is None for value in self.owner[name]):
                    del self.owner[name]

    def replace(self, new: Value) -> None:
        """Put another value in the element's place; a choice may get another type."""
        if self.element.choice:
            name = self.element.choice + new.type[:1].upper() + new.type[1:]
            self.element, old = self.table.get(name, self.element), self.element
            self._fits(new)
            self.owner.pop(old.name, None)
            self.owner.pop(f"_{old.name}", None)
        self._fits(new)
        if self.index is None:
            self._set(new)
            return
        index = self.index
        self.delete()
        self.insert(index, new)

    def move(self, source: int, destination: int) -> None:
        """Move an element within the list."""
        self._repeating()
        length = self._length()
        for index in (source, destination):
            if not 0 <= index < length:
                raise CannotError(f"the list has {length} elements, so that index {index} is not in it")
        for name in self._names:
            if name in self.owner:
                found = self.owner[name]
                found.extend([None] * (length - len(found)))
                found.insert(destination, found.pop(source))

    def _set(self, new: Value) -> None:
        for name, value in zip(self._names, new, strict=False):
            self.owner.pop(name, None)
            if value is not None:
                self.owner[name] = value

    def _length(self) -> int:
        return max(len(self.owner.get(name) or ()) for name in self._names)

    def _taken(self) -> list[str]:
        """The names under which the element may be there, those of a choice's other types too."""
        choice = self.element.choice
        names = (
            [one.name for one in self.table.values() if one.choice == choice]
            if choice
            else [self.element.name]
        )
        return [*names, *(f"_{name}" for name in names)]

    def _repeating(self) -> None:
        if not self.element.repeats:
            raise CannotError(f"'{self.element.name}' is no list")

    def _fits(self, new: Value) -> None:
        """The type must be right; one kind of text may stand for another, as its rules are checked later."""
        wanted, got = self.element.type, new.type
        alike = is_primitive(wanted) and is_primitive(got) and self.element.kind == _kind(got)
        if wanted != got and not alike:
            raise CannotError(f"'{self.element.name}' is a {wanted}, the value a {got}")


def _kind(type_: str) -> str:
    if type_ in {"decimal", "integer", "positiveInt", "unsignedInt"}:
        return "number"
    return "boolean" if type_ == "boolean" else "string"


def _at(tree: Tree, place: tuple[str | int, ...]) -> Any:
    node: Any = tree
    for step in place:
        node = node[step]
    return node


def _besides(node: Tree, name: str) -> Tree:
    found: Tree = node.setdefault(f"_{name}", {})
    return found


def _besides_in_list(owner: Tree, name: str, index: int) -> Tree:
    extras = owner.setdefault(f"_{name}", [])
    extras.extend([None] * (len(owner[name]) - len(extras)))
    if extras[index] is None:
        extras[index] = {}
    found: Tree = extras[index]
    return found


def prune(node: Tree) -> None:
    """Take out, in place, every object and list that has become empty: FHIR has none."""
    for name, value in list(node.items()):
        if isinstance(value, dict):
            prune(value)
        elif isinstance(value, list):
            for inner in value:
                if isinstance(inner, dict):
                    prune(inner)
            # what stands beside primitives (_given) keeps its place in the list
            beside = name.startswith("_")
            value[:] = [None if inner == {} else inner for inner in value if beside or inner != {}]
            if all(inner is None for inner in value):
                value.clear()
        if value in ({}, []):
            del node[name]
