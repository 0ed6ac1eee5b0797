"""What a check may have to know beside the part it looks at: the resource around it, and the Bundle."""

from collections.abc import Callable, Mapping
from functools import cached_property
from typing import Any

from service.fhir.json import Tree
from service.fhir.validation.fault import Fault

__all__ = ["Check", "Found", "Scope"]

Found = list[Fault] | None
"""What a check found; None, never an empty list, where all is right."""


class Scope:
    """One resource while it is checked.

    ``resource`` is the nearest resource, ``container`` the one that contained resources and ``#`` belong to.
    ``bundle`` answers, for a resource inside a Bundle, which types of resources a reference leads to there.
    """

    def __init__(self, resource: Tree, outer: "Scope | None" = None, *, contained: bool = False) -> None:
        """``outer`` is the scope of the resource it stands in; ``contained``: as a contained resource."""
        self.resource = resource
        self.outer = outer
        self.container: Tree = outer.container if outer and contained else resource

    @cached_property
    def contained(self) -> Mapping[str, str]:
        """The types of the contained resources, by id."""
        nodes = self.container.get("contained")
        return {
            node["id"]: node["resourceType"]
            for node in (nodes if isinstance(nodes, list) else ())
            if isinstance(node, dict)
            and isinstance(node.get("id"), str)
            and isinstance(node.get("resourceType"), str)
        }

    @property
    def root(self) -> Any:
        """The outermost resource."""
        return self.outer.root if self.outer else self.resource

    def inside(self, node: Any) -> "Scope":
        """The scope of a resource that stands in this one, contained or as an entry or parameter."""
        contained = self.resource.get("resourceType") not in {"Bundle", "Parameters"}
        return Scope(node, self, contained=contained)


Check = Callable[[Any, Scope], Found]
