"""What a profile may look at beside the element: the resource around it, and what its references lead to."""

from collections.abc import Iterator
from typing import Any

from service.fhir.json import Tree
from service.fhir.validation.entries import Entries

__all__ = ["Scope"]


class Scope:
    """One resource while it is held against profiles.

    ``container`` is the resource that contained resources belong to, ``entries`` those of the Bundle around.
    """

    def __init__(
        self, resource: Tree, *, entries: Entries | None = None, outer: "Scope | None" = None
    ) -> None:
        """``outer`` is the scope of the resource that this one stands in, or that a reference came from."""
        self.resource = resource
        self.outer = outer
        self.entries: Entries | None = outer.entries if outer else entries
        self.container: Tree = (
            outer.container if outer and resource in _contained(outer.container) else resource
        )
        self.busy: set[tuple[int, str]] = outer.busy if outer else set()
        if resource.get("resourceType") == "Bundle":
            self.entries = Entries(resource)

    @property
    def root(self) -> Tree:
        """The resource that ``%rootResource`` means: the one that contains this one, or this one."""
        return self.container

    def within(self, resource: Tree) -> "Scope":
        """The scope of a resource that stands in this one, or that it refers to."""
        return Scope(resource, outer=self)

    def resolve(self, reference: Any) -> Tree | None:
        """What a reference leads to, contained or in the same Bundle; None if it is not at hand."""
        if not isinstance(reference, str):
            return None
        if reference.startswith("#"):
            if reference == "#":
                return self.container
            inner = (one for one in _contained(self.container) if one.get("id") == reference[1:])
            return next(inner, None)
        found = self.entries.found(reference, self.container) if self.entries else []
        return found[0] if len(found) == 1 else None


def _contained(resource: Tree) -> list[Tree]:
    return list(_objects(resource.get("contained")))


def _objects(values: Any) -> Iterator[Tree]:
    return (one for one in (values if isinstance(values, list) else ()) if isinstance(one, dict))
