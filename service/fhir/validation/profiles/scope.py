"""What a profile may look at beside the element: the resource around it, and what its references lead to."""

import re
from collections.abc import Iterator
from functools import cached_property
from typing import Any

from service.fhir.json import Tree
from service.fhir.references import local_target

__all__ = ["Scope"]

_VERSION = re.compile(r"/_history/[^/]*$")


class Scope:
    """One resource while it is held against profiles.

    ``container`` is the resource that contained resources belong to, ``bundle`` the Bundle around it.
    """

    def __init__(self, resource: Tree, *, bundle: Tree | None = None, outer: "Scope | None" = None) -> None:
        """``outer`` is the scope of the resource that this one stands in, or that a reference came from."""
        self.resource = resource
        self.outer = outer
        self.bundle: Tree | None = outer.bundle if outer else bundle
        self.container: Tree = (
            outer.container if outer and resource in _contained(outer.container) else resource
        )
        self.busy: set[tuple[int, str]] = outer.busy if outer else set()
        if resource.get("resourceType") == "Bundle":
            self.bundle = resource

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
            found = (one for one in _contained(self.container) if one.get("id") == reference[1:])
            return next(found, None)
        address = _VERSION.sub("", reference)
        return self._entries.get(address) or self._entries.get(local_target(address))

    @cached_property
    def _entries(self) -> dict[str, Tree]:
        if self.outer is not None and self.outer.bundle is self.bundle:
            return self.outer._entries  # noqa: SLF001 - of the same class
        found: dict[str, Tree] = {}
        for entry in _objects((self.bundle or {}).get("entry")):
            resource = entry.get("resource")
            if isinstance(resource, dict):
                found.setdefault(f"{resource.get('resourceType')}/{resource.get('id')}", resource)
                found.setdefault(str(entry.get("fullUrl", "")), resource)
        return found


def _contained(resource: Tree) -> list[Tree]:
    return list(_objects(resource.get("contained")))


def _objects(values: Any) -> Iterator[Tree]:
    return (one for one in (values if isinstance(values, list) else ()) if isinstance(one, dict))
