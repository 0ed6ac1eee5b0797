"""The slices of an element: which values belong to which, how often, in what order, what else."""

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from service.errors import IssueType
from service.fhir.json import Tree
from service.fhir.validation.fault import Fault
from service.fhir.validation.profiles.discriminators import NONE, Matcher, Numbered
from service.fhir.validation.profiles.items import Item
from service.fhir.validation.profiles.occurrence import too_few, too_many
from service.fhir.validation.profiles.rule import Check, ListCheck, Rule
from service.fhir.validation.profiles.scope import Scope

__all__ = ["DEFAULT", "Slice", "sliced"]

_NOTHING: list[Item] = []
DEFAULT = "@default"
"""The name of the slice for whatever belongs to no other one."""


class Slice(NamedTuple):
    """One slice, compiled. ``most`` is None where there is no limit of its own."""

    rule: Rule
    name: str
    least: int
    most: int | None
    matcher: Matcher
    checks: tuple[Check, ...]
    within: tuple[ListCheck, ...]

    def members(self, name: str, items: list[Item], parent: Item, scope: Scope) -> list[Fault]:
        """What is wrong with the values that belong to it."""
        found: list[Fault] = []
        if self.most is not None and len(items) > self.most:
            called = f"{name}, slice {self.name}"
            found.append(too_many(self.rule, items[self.most].path, called, self.most, len(items)))
        for check in self.within:
            found += check(items, parent, scope)
        for item in items:
            for one in self.checks:
                found += one(item, scope)
        return found


def sliced(
    rule: Rule, name: str, slicing: Tree, slices: Sequence[Slice], number_of: Numbered | None
) -> ListCheck:
    """Answer the check of an element's slices; ``slicing`` is its ElementDefinition.slicing.

    ``number_of`` finds the slice of a value by a key, where each slice has one.
    """
    told = [one for one in slices if one.name != DEFAULT]
    rest = next((one for one in slices if one.name == DEFAULT), None)
    closed = slicing.get("rules") == "closed" and rest is None
    at_end = slicing.get("rules") == "openAtEnd"
    ordered = bool(slicing.get("ordered")) or at_end

    def check(items: list[Item], parent: Item, scope: Scope) -> list[Fault]:
        numbered = [_slice_of(item, told, scope, number_of) for item in items]
        places = [place for place, _ in numbered]
        unsure = set().union(*(maybe for place, maybe in numbered if place is None))
        found: list[Fault] = []
        members: dict[int | None, list[Item]] = {}
        for item, place in zip(items, places, strict=True):
            members.setdefault(place, []).append(item)
        for number, one in enumerate(told):
            own = members.get(number, _NOTHING)
            if len(own) < one.least and number not in unsure:
                found.append(_missing(one, f"{parent.path}.{name}", name, len(own)))
            if own or one.within:
                found += one.members(name, own, parent, scope)
        left = members.get(NONE, _NOTHING)
        if rest is not None:
            found += rest.members(name, left, parent, scope)
        if closed:
            found += [_unlisted(rule, item, told) for item in left]
        if ordered:
            found += _order(rule, items, places, told, at_end=at_end)
        return found

    return check


def _missing(one: Slice, path: str, name: str, given: int) -> Fault:
    return too_few(one.rule, path, f"{name}, slice {one.name},", one.least, given)


def _slice_of(
    item: Item, slices: Sequence[Slice], scope: Scope, number_of: Numbered | None
) -> tuple[int | None, set[int]]:
    """The number of the slice a value belongs to, -1 if to none; None if it may be one of those numbered."""
    maybe: set[int] = set()
    if number_of is not None:
        return number_of(item, scope), maybe
    for number, one in enumerate(slices):
        said = one.matcher(item, scope)
        if said:
            return number, maybe
        if said is None:
            maybe.add(number)
    return None if maybe else NONE, maybe


def _unlisted(rule: Rule, item: Item, slices: Sequence[Slice]) -> Fault:
    names = ", ".join(one.name for one in slices)
    return rule.fault(item.path, f"Only these slices may be given here: {names}.", IssueType.STRUCTURE)


def _order(
    rule: Rule, items: Sequence[Item], places: Sequence[int | None], slices: Sequence[Slice], *, at_end: bool
) -> Iterator[Fault]:
    reached, after = 0, False
    for item, place in zip(items, places, strict=True):
        if place is None:
            continue
        if place == NONE:
            after = True
        elif place < reached or (after and at_end):
            text = f"The slices have to stand in this order: {', '.join(one.name for one in slices)}."
            yield rule.fault(item.path, text + (" Others come last." if at_end else ""), IssueType.STRUCTURE)
        else:
            reached = place
