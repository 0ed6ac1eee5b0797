"""What a profile says of single values: fixed, pattern, length, bounds, types."""

from collections.abc import Iterator, Sequence
from typing import Any

from service.errors import IssueType
from service.fhir.elements import ANY_RESOURCE
from service.fhir.validation.fault import Fault
from service.fhir.validation.profiles.items import Item
from service.fhir.validation.profiles.nodes import Node
from service.fhir.validation.profiles.rule import Check, Rule, added
from service.fhir.validation.profiles.scope import Scope
from service.fhir.validation.profiles.values import above, below, fits, same, shown

__all__ = ["elementary", "laid_down"]


def laid_down(node: Node) -> tuple[str, Any] | None:
    """Answer ``fixed`` or ``pattern`` and the value, of an element that has one."""
    for key, value in node.element.items():
        for kind in ("fixed", "pattern"):
            if key.startswith(kind) and key[len(kind) : len(kind) + 1].isupper():
                return kind, value
    return None


def elementary(rule: Rule, node: Node, against: Node) -> Iterator[Check]:
    """Answer the checks of one value that a profile adds."""
    laid = laid_down(node)
    if laid is not None and laid != laid_down(against):
        yield _laid(rule, *laid)
    if (longest := added(node, against, "maxLength")) is not None:
        yield _length(rule, longest)
    for key in node.element:
        if key.startswith(("minValue", "maxValue")) and added(node, against, key) is not None:
            yield _bound(rule, key, node.element[key])
    allowed = frozenset(node.types)
    if (
        allowed
        and not allowed & ANY_RESOURCE
        and allowed != frozenset(against.types)
        and _open_type(node, against)
    ):
        yield _types(rule, allowed)


def _open_type(node: Node, against: Node) -> bool:
    return node.name.endswith("[x]") or bool(ANY_RESOURCE.intersection(against.types))


def _laid(rule: Rule, kind: str, wanted: Any) -> Check:
    matches = same if kind == "fixed" else fits
    word = "exactly" if kind == "fixed" else "at least"

    def check(item: Item, _: Scope) -> Sequence[Fault]:
        if matches(item.value, wanted):
            return ()
        return (rule.fault(item.path, f"The value has to be {word}: {shown(wanted)}.", IssueType.VALUE),)

    return check


def _length(rule: Rule, longest: int) -> Check:
    def check(item: Item, _: Scope) -> Sequence[Fault]:
        if not isinstance(item.value, str) or len(item.value) <= longest:
            return ()
        return (rule.fault(item.path, f"The text may have {longest} characters at most.", IssueType.VALUE),)

    return check


def _bound(rule: Rule, key: str, bound: Any) -> Check:
    beyond, word = (below, "at least") if key.startswith("min") else (above, "at most")

    def check(item: Item, _: Scope) -> Sequence[Fault]:
        if not beyond(item.value, bound):
            return ()
        return (rule.fault(item.path, f"The value has to be {word} {shown(bound)}.", IssueType.VALUE),)

    return check


def _types(rule: Rule, allowed: frozenset[str]) -> Check:
    names = ", ".join(sorted(allowed))

    def check(item: Item, _: Scope) -> Sequence[Fault]:
        if item.type in allowed:
            return ()
        return (rule.fault(item.path, f"The type has to be {names}, not {item.type}.", IssueType.STRUCTURE),)

    return check
