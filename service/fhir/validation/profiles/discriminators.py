"""Which slice a value belongs to (profiling.html, discriminators)."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import Any

from service.errors import Severity
from service.fhir.json import Tree
from service.fhir.three_valued import Holds, all_of, any_of
from service.fhir.validation.profiles.codes import MemberOf, coded
from service.fhir.validation.profiles.elementary import laid_down
from service.fhir.validation.profiles.items import Item
from service.fhir.validation.profiles.nodes import Node
from service.fhir.validation.profiles.rule import Check
from service.fhir.validation.profiles.scope import Scope
from service.fhir.validation.profiles.snapshot import RootOf
from service.fhir.validation.profiles.targets import CheckerOf, conforms
from service.fhir.validation.profiles.values import fits, same
from service.fhir.validation.profiles.walking import UNRESOLVED, Defined, Way, way

__all__ = ["NONE", "Matcher", "Matching", "Numbered"]

NONE = -1
"""Stands for no slice, where slices are numbered."""

Matcher = Callable[[Item, Scope], Holds]
"""Whether a value belongs to a slice; None if that can't be told here."""

Numbered = Callable[[Item, Scope], int]
"""Answers the number of the slice that a value belongs to, NONE for none."""


class Matching:
    """What is needed to tell the slices of one element apart."""

    def __init__(
        self,
        root_of: RootOf,
        member: MemberOf,
        checker_of: CheckerOf,
        added: Callable[[Node], Sequence[Check]],
    ) -> None:
        """``added`` compiles what an element asks for beyond its type."""
        self._root_of = root_of
        self._member = member
        self._checker_of = checker_of
        self._added = added

    def matcher(self, slice_: Node, sliced: Node, discriminators: Iterable[Tree]) -> Matcher:
        """Answer how a value is told to belong to a slice; DefinitionFault if a discriminator is unusable."""
        every = [self._one(slice_, sliced, one["type"], one["path"]) for one in discriminators]
        if not every:
            return _unknown
        return lambda item, scope: all_of(one(item, scope) for one in every)

    def numbered(self, slices: Sequence[Node], discriminators: Sequence[Tree]) -> Numbered | None:
        """Answer how slices are found by a key: a code of a concept or a plain value.

        None if one of them is told in another way. It says the same as the matchers do, in one step.
        """
        if len(discriminators) != 1 or discriminators[0]["type"] not in {"value", "pattern"}:
            return None
        if "resolve()" in discriminators[0]["path"]:  # what is not at hand can't be told
            return None
        ways = [way(discriminators[0]["path"], slice_, self._root_of) for slice_ in slices]
        keys = [_key(one.defined[0]) if len(one.defined) == 1 else None for one in ways]
        if None in keys or len(set(keys)) < len(keys):
            return None
        numbers = {key: number for number, key in enumerate(keys)}
        go = ways[0].go

        def number_of(item: Item, scope: Scope) -> int:
            given = (numbers.get(key, NONE) for end in go(item, scope) for key in _keys(end.value))
            return min((number for number in given if number != NONE), default=NONE)

        return number_of

    def _one(self, slice_: Node, sliced: Node, kind: str, path: str) -> Matcher:
        found = way(path, slice_, self._root_of)
        if not found.defined:
            return _unknown
        if kind == "exists":
            return _exists(found)
        if kind == "type":
            return _typed(found)
        if kind == "profile":
            return self._profiled(found)
        before = [one.node.element.get("binding") for one in way(path, sliced, self._root_of).defined]
        return _anywhere(found, [self._value(one, before) for one in found.defined])

    def _value(self, one: Defined, before: Sequence[Any]) -> Matcher:
        """``value`` and ``pattern`` are told apart by what the definition lays down, not by the name."""
        if one.laid:
            return lambda item, _: any(fits(item.value, value) for value in one.laid)
        laid = laid_down(one.node)
        if laid is not None:
            matches = same if laid[0] == "fixed" else fits
            return lambda item, _: matches(item.value, laid[1])
        tests = [*self._bound(one.node, before), *self._parts(one.node)]
        return (lambda item, scope: all_of(test(item, scope) for test in tests)) if tests else _unknown

    def _bound(self, node: Node, before: Sequence[Any]) -> list[Matcher]:
        """The value set of a slice; one that every slice is bound to tells nothing apart."""
        binding = node.element.get("binding", {})
        if binding.get("strength") != "required" or binding in before:
            return []
        value_set, member = binding.get("valueSet", ""), self._member
        return [lambda item, _: coded(item, value_set, member)]

    def _parts(self, node: Node) -> list[Matcher]:
        checks = self._added(node)
        if not checks:
            return []

        def conforming(item: Item, scope: Scope) -> bool:
            faults = (fault for check in checks for fault in check(item, scope))
            return not any(fault.severity == Severity.ERROR for fault in faults)

        return [conforming]

    def _profiled(self, found: Way) -> Matcher:
        named = [self._checker_of(one.profile) for one in found.defined if one.profile]
        if not named:
            return _unknown

        def one(item: Item, scope: Scope) -> Holds:
            return any_of(conforms(profile, item, scope) for profile in named)

        return _anywhere(found, [one])


def _key(defined: Defined) -> Any:
    """The code or plain value that tells a slice; None if something else does."""
    laid = laid_down(defined.node)
    if defined.laid or laid is None:
        return None
    kind, value = laid
    if isinstance(value, str):
        return value
    codings = value.get("coding") if isinstance(value, dict) and value.keys() == {"coding"} else None
    if kind == "fixed" or not codings or len(codings) > 1 or codings[0].keys() != {"system", "code"}:
        return None
    return codings[0]["system"], codings[0]["code"]


def _keys(value: Any) -> Iterator[Any]:
    if isinstance(value, str):
        yield value
    codings = value.get("coding") if isinstance(value, dict) else None
    for one in codings if isinstance(codings, list) else ():
        if isinstance(one, dict) and isinstance(code := one.get("code"), str):
            system = one.get("system")
            yield (system if isinstance(system, str) else ""), code


def _exists(found: Way) -> Matcher:
    element = found.defined[0].node.element
    if element.get("max") == "0":
        return lambda item, scope: not found.go(item, scope)
    return (lambda item, scope: bool(found.go(item, scope))) if element.get("min") else _unknown


def _typed(found: Way) -> Matcher:
    allowed = frozenset().union(*(one.types for one in found.defined))

    def one(item: Item, scope: Scope) -> Holds:
        return any_of(given.type in allowed if given.type else None for given in found.go(item, scope))

    return one


def _anywhere(found: Way, tests: Sequence[Matcher]) -> Matcher:
    """Whether one of the values at the end of a way is one of those defined."""

    def one(item: Item, scope: Scope) -> Holds:
        given = found.go(item, scope)
        return any_of(_test(test, end, scope) for end in given for test in tests)

    return one


def _test(test: Matcher, item: Item, scope: Scope) -> Holds:
    return None if item.value is UNRESOLVED else test(item, scope)


def _unknown(*_: Any) -> None:
    return None
