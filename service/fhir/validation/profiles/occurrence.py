"""How often an element or a slice of it may occur in a profile."""

from collections.abc import Sequence

from service.errors import IssueType
from service.fhir.validation.fault import Fault
from service.fhir.validation.profiles.items import Item
from service.fhir.validation.profiles.nodes import Node
from service.fhir.validation.profiles.rule import ListCheck, Rule
from service.fhir.validation.profiles.scope import Scope

__all__ = ["most_of", "occurrence", "too_few", "too_many"]


def most_of(node: Node) -> int | None:
    """The largest number allowed; None if there is no limit."""
    most = str(node.element.get("max", "*"))
    return int(most) if most.isdigit() else None


def occurrence(rule: Rule, node: Node, against: Node) -> ListCheck | None:
    """Answer the check of the number of values, None if the profile leaves it as it was."""
    name = node.name.removesuffix("[x]")
    least, most = int(node.element.get("min", 0)), most_of(node)
    if least <= int(against.element.get("min", 0)):
        least = 0
    if most == most_of(against):
        most = None
    if not least and most is None:
        return None

    def check(items: list[Item], parent: Item, _: Scope) -> Sequence[Fault]:
        if len(items) < least:
            return (too_few(rule, f"{parent.path}.{name}", name, least, len(items)),)
        if most is not None and len(items) > most:
            return (too_many(rule, items[most].path, name, most, len(items)),)
        return ()

    return check


def too_few(rule: Rule, path: str, name: str, least: int, given: int) -> Fault:
    """The fault of an element that is missing."""
    if least == 1:
        return rule.fault(path, f"{name} is required.", IssueType.REQUIRED)
    return rule.fault(path, f"{name} is required {least} times at least; given {given}.", IssueType.REQUIRED)


def too_many(rule: Rule, path: str, name: str, most: int, given: int) -> Fault:
    """The fault of an element that is prohibited, or given too often."""
    if most == 0:
        return rule.fault(path, f"{name} must not be given; leave it out.", IssueType.STRUCTURE)
    return rule.fault(path, f"{name} may be given {most} times at most; given {given}.", IssueType.STRUCTURE)
