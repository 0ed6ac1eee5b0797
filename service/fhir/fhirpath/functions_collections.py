"""FHIRPath functions on collections (sections 5.1 to 5.4, 5.8 and 7)."""

from collections.abc import Callable, Iterator
from functools import cmp_to_key
from typing import Any

from service.fhir.fhirpath.comparing import distinct, member_of, order
from service.fhir.fhirpath.context import Context
from service.fhir.fhirpath.evaluation import Evaluated, Function, Functions, single, truth
from service.fhir.fhirpath.nodes import Node, children, is_a, value
from service.fhir.fhirpath.values import CannotError

__all__ = ["FUNCTIONS"]


def _kept(context: Context, items: list[Any], test: Evaluated) -> list[Any]:
    return [item for place, item in enumerate(items) if truth(test(context.at(item, place))) is True]


def _empty(_: Context, items: list[Any]) -> list[Any]:
    return [not items]


def _exists(context: Context, items: list[Any], test: Evaluated | None = None) -> list[Any]:
    return [bool(items if test is None else _kept(context, items, test))]


def _all(context: Context, items: list[Any], test: Evaluated) -> list[Any]:
    return [len(_kept(context, items, test)) == len(items)]


def _flags(judge: Callable[[Iterator[bool]], bool], wanted: bool) -> Function:
    def function(_: Context, items: list[Any]) -> list[Any]:
        found = [value(item) for item in items]
        if not all(isinstance(one, bool) for one in found):
            raise CannotError("only true and false can be judged together")
        return [judge(one is wanted for one in found)]

    return function


def _not(_: Context, items: list[Any]) -> list[Any]:
    found = truth(items)
    return [] if found is None else [not found]


def _members(context: Context, items: list[Any], whole: list[Any]) -> list[bool]:
    """Of each item, whether it is in the whole."""
    context.environment.spend(len(items) * len(whole))
    return [member_of(item, whole) for item in items]


def _subset(context: Context, items: list[Any], other: Evaluated) -> list[Any]:
    return [all(_members(context, items, other(context)))]


def _superset(context: Context, items: list[Any], other: Evaluated) -> list[Any]:
    return [all(_members(context, other(context), items))]


def _select(context: Context, items: list[Any], path: Evaluated) -> list[Any]:
    return [found for place, item in enumerate(items) for found in path(context.at(item, place))]


def _repeat(context: Context, items: list[Any], path: Evaluated) -> list[Any]:
    found: list[Any] = []
    seen: set[int] = set()
    waiting = items
    while waiting:
        new = distinct(_select(context, waiting, path))
        waiting = []
        for item in new:
            known = id(item.data) in seen if isinstance(item, Node) else member_of(item, found)
            if not known:
                waiting.append(item)
                seen.add(id(item.data) if isinstance(item, Node) else 0)
                found.append(item)
    return found


def _aggregate(
    context: Context, items: list[Any], step: Evaluated, first: Evaluated | None = None
) -> list[Any]:
    total = first(context) if first is not None else []
    for place, item in enumerate(items):
        total = step(context.summed(item, place, total))
    return total


def _single(_: Context, items: list[Any]) -> list[Any]:
    if len(items) > 1:
        raise CannotError("single() finds several")
    return items


def _skip(context: Context, items: list[Any], number: Evaluated) -> list[Any]:
    return items[max(0, single(number(context), int) or 0) :]


def _take(context: Context, items: list[Any], number: Evaluated) -> list[Any]:
    return items[: max(0, single(number(context), int) or 0)]


def _intersect(context: Context, items: list[Any], other: Evaluated) -> list[Any]:
    found = _members(context, items, other(context))
    return distinct([item for item, shared in zip(items, found, strict=True) if shared])


def _exclude(context: Context, items: list[Any], other: Evaluated) -> list[Any]:
    found = _members(context, items, other(context))
    return [item for item, shared in zip(items, found, strict=True) if not shared]


def _union(context: Context, items: list[Any], other: Evaluated) -> list[Any]:
    return distinct([*items, *other(context)])


def _combine(context: Context, items: list[Any], other: Evaluated, _: Evaluated | None = None) -> list[Any]:
    return [*items, *other(context)]


def _iif(context: Context, items: list[Any], test: Evaluated, *ways: Evaluated) -> list[Any]:
    if len(items) > 1:
        raise CannotError("iif() works on one item")
    own = context.at(items[0], context.index) if items else context.of_none()
    found = test(own)
    if len(found) > 1 or (found and not isinstance(value(found[0]), bool)):
        raise CannotError("iif() needs a condition")
    way = 0 if truth(found) else 1
    return ways[way](own) if way < len(ways) else []


def _children(context: Context, items: list[Any]) -> list[Any]:
    found = [child for item in items for child in children(item)]
    context.environment.spend(len(found))
    return found


def _descendants(context: Context, items: list[Any]) -> list[Any]:
    found: list[Any] = []
    waiting = items
    while waiting:
        waiting = _children(context, waiting)
        found += waiting
    return found


def _sort(context: Context, items: list[Any], *keys: Evaluated) -> list[Any]:
    """By each key in turn; a text can't have a sign, so that the sign is read from the key itself."""

    def compared(one: tuple[int, Any], two: tuple[int, Any]) -> int:
        for key in keys or (lambda own: own.this,):
            down = getattr(key, "descending", False)
            left, right = (key(context.at(item, place)) for place, item in (one, two))
            found = order(left, right) if left and right else (not left) - (not right)
            if found:
                return -found if down else found
        return 0

    return [item for _, item in sorted(enumerate(items), key=cmp_to_key(compared))]


def _of_type(items: list[Any], type_: str) -> list[Any]:
    return [item for item in items if is_a(item, "FHIR", type_)]


def _trace(_: Context, items: list[Any], *__: Evaluated) -> list[Any]:
    return items


FUNCTIONS: Functions = {
    "aggregate": (1, 2, _aggregate),
    "all": (1, 1, _all),
    "allFalse": (0, 0, _flags(all, False)),
    "allTrue": (0, 0, _flags(all, True)),
    "anyFalse": (0, 0, _flags(any, False)),
    "anyTrue": (0, 0, _flags(any, True)),
    "children": (0, 0, _children),
    "combine": (1, 2, _combine),
    "count": (0, 0, lambda _, items: [len(items)]),
    "descendants": (0, 0, _descendants),
    "distinct": (0, 0, lambda _, items: distinct(items)),
    "empty": (0, 0, _empty),
    "exclude": (1, 1, _exclude),
    "exists": (0, 1, _exists),
    "first": (0, 0, lambda _, items: items[:1]),
    "iif": (2, 3, _iif),
    "intersect": (1, 1, _intersect),
    "isDistinct": (0, 0, lambda _, items: [len(distinct(items)) == len(items)]),
    "last": (0, 0, lambda _, items: items[-1:]),
    "not": (0, 0, _not),
    "repeat": (1, 1, _repeat),
    "select": (1, 1, _select),
    "single": (0, 0, _single),
    "skip": (1, 1, _skip),
    "sort": (0, 9, _sort),
    "subsetOf": (1, 1, _subset),
    "supersetOf": (1, 1, _superset),
    "tail": (0, 0, lambda _, items: items[1:]),
    "take": (1, 1, _take),
    "trace": (1, 2, _trace),
    "union": (1, 1, _union),
    "where": (1, 1, _kept),
}
