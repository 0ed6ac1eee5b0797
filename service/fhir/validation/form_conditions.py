"""enableWhen: whether an item of a form is to be answered, by the other answers (questionnaire.html)."""

from bisect import bisect_right
from collections.abc import Iterator
from typing import Any

from service.fhir.json import Tree
from service.fhir.validation.form_nodes import answers, link_id, objects, value_of
from service.fhir.validation.form_values import equal, order
from service.fhir.validation.reading import text

__all__ = ["Conditions", "Where"]

Where = tuple[int, ...]
"""The place of an item in a response: its place in its list, below the places of what it stands in."""

_WANTED = {">": {1}, "<": {-1}, ">=": {0, 1}, "<=": {-1, 0}}


class Conditions:
    """What the answers of one response say of the conditions of its form."""

    def __init__(self, response: Tree) -> None:
        """Note where the items of each linkId stand, in the order of the response."""
        self._items: dict[str, list[tuple[Where, Tree]]] = {}
        for where, item in _walk(response, ()):
            self._items.setdefault(link_id(item), []).append((where, item))

    def enabled(self, item: Tree, where: Where) -> bool | None:
        """Whether an item of the form is enabled at a place of the response; None if it can't be told.

        Not told by R4: what ``!=`` means for several answers or none, and how units compare.
        """
        told = [self._holds(condition, where) for _, condition in objects(item, "enableWhen")]
        if not told:
            return True
        deciding = item.get("enableBehavior") != "all"  # without it one is enough
        if deciding in told:
            return deciding
        return None if None in told else not deciding

    def _holds(self, condition: Tree, where: Where) -> bool | None:
        given = self._answers(text(condition, "question"), where)
        type_, wanted = value_of(condition, "answer")
        operator = text(condition, "operator")
        if operator == "exists":
            return bool(given) == wanted if isinstance(wanted, bool) else None
        alike = [value for kind, value in given if kind == type_]
        if operator in {"=", "!="}:
            found = [equal(type_, value, wanted) for value in alike]
            return _any(found) if operator == "=" else _none(found)
        if operator not in _WANTED:
            return None
        compared = [order(type_, value, wanted) for value in alike]
        return _any([None if one is None else one in _WANTED[operator] for one in compared])

    def _answers(self, question: str, where: Where) -> list[tuple[str, Any]]:
        """The answers of the nearest item: of one around this place, else before it, else behind it."""
        items = self._items.get(question, [])
        place = bisect_right(items, where, key=lambda one: one[0])
        near = items[max(place - 1, 0) : place + 1]
        if not near:
            return []
        _, item = max(near, key=lambda one: _shared(one[0], where))  # the first of two as near
        return [(type_, value) for _, type_, value in answers(item)]


def _any(told: list[bool | None]) -> bool | None:
    return True if True in told else None if None in told else False


def _none(told: list[bool | None]) -> bool | None:
    if told and all(one is False for one in told):
        return True
    return False if told and all(told) else None


def _shared(one: Where, other: Where) -> int:
    """How many steps two places have in common."""
    length = 0
    for step, also in zip(one, other, strict=False):
        if step != also:
            break
        length += 1
    return length


def _walk(node: Tree, where: Where) -> Iterator[tuple[Where, Tree]]:
    for place, item in objects(node, "item"):
        yield (*where, place), item
        yield from _walk(item, (*where, place))
        for number, answer in objects(item, "answer"):
            yield from _walk(answer, (*where, place, number))
