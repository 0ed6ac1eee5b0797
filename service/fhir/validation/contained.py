"""Contained resources: each has an id of its own, by which it is referred to (references.html, contained)."""

from typing import Any

from service.errors import IssueType
from service.fhir.json import Tree
from service.fhir.validation.fault import Fault
from service.fhir.validation.invariants.containment import refers_out
from service.fhir.validation.scope import Found, Scope

__all__ = ["contained"]

_NO_ID = "A contained resource needs an id, so that it can be referred to."
_TWICE = "Another contained resource has the same id; give each its own."


def contained(node: Tree, _: Scope) -> Found:
    """Check the ids of what a resource contains; what refers to its container needs none."""
    given: Any = node.get("contained")
    found: list[Fault] = []
    seen: set[str] = set()
    for place, one in enumerate(given if isinstance(given, list) else ()):
        if not isinstance(one, dict):
            continue
        id_ = one.get("id")
        if "id" not in one and not refers_out(one):
            found.append(Fault(f".contained[{place}]", _NO_ID, IssueType.REQUIRED, "dom-3"))
        elif isinstance(id_, str):
            if id_ in seen:
                found.append(Fault(f".contained[{place}]", _TWICE, IssueType.DUPLICATE))
            seen.add(id_)
    return found or None
