"""What a check may have to know beside the part it looks at: the resource around it, and the Bundle."""

from collections.abc import Callable, Mapping
from functools import cached_property
from typing import Any

from service.fhir.json import Tree
from service.fhir.validation.entries import Entries
from service.fhir.validation.fault import Fault

__all__ = ["Check", "Found", "Scope", "joined"]

Found = list[Fault] | None
"""What a check found; None, never an empty list, where all is right."""


class Scope:
    """One resource while it is checked.

    ``resource`` is the nearest resource, ``container`` the one that contained resources and ``#`` belong to,
    ``bundle`` the scope of the Bundle or Parameters around that.
    """

    def __init__(self, resource: Tree, outer: "Scope | None" = None) -> None:
        """``outer`` is the scope of the resource it stands in, contained or as an entry or parameter."""
        self.resource = resource
        self._outer = outer
        contained = outer and outer.resource.get("resourceType") not in {"Bundle", "Parameters"}
        self.container: Tree = outer.container if outer and contained else resource
        self.bundle: Scope | None = outer.bundle if outer and contained else outer

    def contained_type(self, id_: str) -> str | None:
        """The type of the contained resource of this id (empty: the container); None if there is none."""
        if not id_:
            type_ = self.container.get("resourceType")
            return type_ if isinstance(type_, str) else None
        return self._contained.get(id_)

    def in_bundle(self, reference: str) -> set[str]:
        """The types of the resources that a reference leads to inside the Bundle around; empty if to none."""
        entries = self.bundle.entries if self.bundle else None
        return entries.types(reference, self.container) if entries else set()

    @cached_property
    def entries(self) -> Entries | None:
        """The entries of the resource if it is a Bundle."""
        return Entries(self.resource) if self.resource.get("resourceType") == "Bundle" else None

    @cached_property
    def _contained(self) -> Mapping[str, str]:
        nodes = self.container.get("contained")
        return {
            node["id"]: node["resourceType"]
            for node in (nodes if isinstance(nodes, list) else ())
            if isinstance(node, dict)
            and isinstance(node.get("id"), str)
            and isinstance(node.get("resourceType"), str)
        }


Check = Callable[[Any, Scope], Found]


def joined(found: Found, more: list[Fault]) -> list[Fault]:
    """Put faults to those found so far; the list grows in place, as there may be very many."""
    if found is None:
        return list(more)
    found += more
    return found
