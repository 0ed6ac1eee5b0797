"""One statement of a profile, and the fault it makes of what breaks it."""

from collections.abc import Callable, Sequence
from typing import Any, NamedTuple

from service.errors import IssueType, Severity
from service.fhir.validation.fault import Fault
from service.fhir.validation.profiles.items import Item
from service.fhir.validation.profiles.nodes import Node
from service.fhir.validation.profiles.scope import Scope

__all__ = ["Check", "ListCheck", "Rule", "added"]

Check = Callable[[Item, Scope], Sequence[Fault]]
"""Finds what is wrong with one value, usually nothing; the faults' paths begin at the resource."""

ListCheck = Callable[[list[Item], Item, Scope], Sequence[Fault]]
"""Finds what is wrong with all values of an element; the second argument is what it is part of."""


class Rule(NamedTuple):
    """``id`` is the element's in the profile (``Observation.component:SystolicBP.code``)."""

    title: str
    url: str
    id: str

    def fault(
        self,
        path: str,
        message: str,
        code: IssueType,
        *,
        key: str = "",
        severity: Severity = Severity.ERROR,
    ) -> Fault:
        """A fault that names the profile; ``key`` is a constraint's, in place of the element's id."""
        return Fault(
            path, f"{message} (profile {self.title})", code, f"{self.url}#{key or self.id}", severity
        )


def added(node: Node, against: Node, key: str) -> Any:
    """What a profile says under this key beyond what holds anyway, else None."""
    value = node.element.get(key)
    return None if value == against.element.get(key) else value
