"""What most invariants say: which elements stand together, and which need another's value.

Each function here answers a Rule: given the path of a type or part it finds the JSON names of the elements
(a choice has many, a primitive's extensions stand beside it) and answers a function of a node that builds
nothing.
"""

from collections.abc import Callable
from typing import Any

from service.fhir.elements import elements, is_primitive
from service.fhir.json import Tree

__all__ = [
    "Holds",
    "Rule",
    "at_least_one",
    "exactly_one",
    "names",
    "needed_for",
    "needs",
    "not_both",
    "not_for",
    "one_of",
    "only_for",
    "plain",
    "together",
]

Holds = Callable[[Any, Tree, Tree], bool]
Rule = Callable[[str], Holds]


def names(type_: str, *wanted: str) -> frozenset[str]:
    """Every JSON name under which one of the elements may stand; KeyError if there is no such element."""
    found: set[str] = set()
    for name in wanted:
        own = [one for one in elements(type_).values() if name in {one.name, one.choice}]
        if not own:
            raise KeyError(f"{type_}.{name}")
        found.update(one.name for one in own)
        found.update(f"_{one.name}" for one in own if is_primitive(one.type))
    return frozenset(found)


def plain(holds: Holds) -> Rule:
    """Answer the rule of a function that needs to know nothing about its type, made sure not to raise."""

    def sure(node: Any, resource: Tree, root: Tree) -> bool:
        try:
            return holds(node, resource, root)
        except (TypeError, AttributeError, KeyError, ValueError):  # a wrong kind: the structure's to tell
            return True

    return lambda _: sure


def at_least_one(*wanted: str) -> Rule:
    """One of the elements is there."""

    def rule(type_: str) -> Holds:
        any_of = names(type_, *wanted)
        return lambda node, _resource, _root: not any_of.isdisjoint(node)

    return rule


def exactly_one(*wanted: str) -> Rule:
    """One of the elements is there, and only one."""

    def rule(type_: str) -> Holds:
        each = [names(type_, name) for name in wanted]
        return lambda node, _resource, _root: sum(not one.isdisjoint(node) for one in each) == 1

    return rule


def one_of(*wanted: str, unless: str) -> Rule:
    """At most one of the elements is there, or ``unless`` is."""

    def rule(type_: str) -> Holds:
        each, free = [names(type_, name) for name in wanted], names(type_, unless)
        return lambda node, _resource, _root: (
            not free.isdisjoint(node) or sum(not one.isdisjoint(node) for one in each) <= 1
        )

    return rule


def not_both(first: str, *others: str) -> Rule:
    """The first element excludes all the others."""

    def rule(type_: str) -> Holds:
        one, rest = names(type_, first), names(type_, *others)
        return lambda node, _resource, _root: one.isdisjoint(node) or rest.isdisjoint(node)

    return rule


def needs(first: str, *others: str) -> Rule:
    """The first element is there only together with one of the others."""

    def rule(type_: str) -> Holds:
        one, rest = names(type_, first), names(type_, *others)
        return lambda node, _resource, _root: one.isdisjoint(node) or not rest.isdisjoint(node)

    return rule


def together(first: str, *others: str) -> Rule:
    """The first element is there if, and only if, one of the others is."""

    def rule(type_: str) -> Holds:
        one, rest = names(type_, first), names(type_, *others)
        return lambda node, _resource, _root: one.isdisjoint(node) == rest.isdisjoint(node)

    return rule


def only_for(name: str, values: tuple[object, ...], *others: str) -> Rule:
    """The others may be there only if element ``name`` has one of the values."""

    def rule(type_: str) -> Holds:
        rest = names(type_, *others)
        return lambda node, _resource, _root: rest.isdisjoint(node) or node.get(name) in values

    return rule


def not_for(name: str, values: tuple[object, ...], *others: str) -> Rule:
    """The others may be there only if element ``name`` has a value, and none of these."""

    def rule(type_: str) -> Holds:
        rest = names(type_, *others)
        return lambda node, _resource, _root: rest.isdisjoint(node) or node.get(name, values[0]) not in values

    return rule


def needed_for(name: str, value: str, *others: str) -> Rule:
    """One of the others has to be there, unless element ``name`` has a value, and not this one."""

    def rule(type_: str) -> Holds:
        rest = names(type_, *others)
        return lambda node, _resource, _root: not rest.isdisjoint(node) or node.get(name, value) != value

    return rule
