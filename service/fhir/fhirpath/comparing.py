"""Equality, equivalence and order of FHIRPath values (FHIRPath 2.0.0, sections 6.1 and 6.2)."""

import re
from decimal import ROUND_HALF_UP, Decimal
from typing import Any

from service.fhir.fhirpath.nodes import Node, quantity, value
from service.fhir.fhirpath.values import CannotError, Quantity, Temporal

__all__ = ["distinct", "equal", "equal_items", "equivalent", "member_of", "order"]

_SPACE = re.compile(r"\s+")


def equal(left: list[Any], right: list[Any]) -> bool | None:
    """Whether two collections are equal item by item; None if one is empty or it can't be told."""
    if not left or not right:
        return None
    if len(left) != len(right):
        return False
    found = [equal_items(one, two) for one, two in zip(left, right, strict=True)]
    return None if None in found and False not in found else all(found)


def equal_items(one: Any, two: Any) -> bool | None:
    """Whether two items are equal; None if it can't be told, as of a primitive without a value."""
    one, two = value(one), value(two)
    if one is None or two is None:
        return None
    if isinstance(one, Node) and isinstance(two, Node):
        return bool(one.data == two.data)
    first, second = quantity(one), quantity(two)
    if first is not None and second is not None:
        found = first.compare(second)
        return None if found is None else found == 0
    one, two = _read_alike(one, two)
    if isinstance(one, Temporal) and isinstance(two, Temporal):
        return _same_time(one, two)
    return _kind(one) == _kind(two) and bool(one == two)


def _same_time(one: Temporal, two: Temporal) -> bool | None:
    if (one.kind == "Time") != (two.kind == "Time"):
        return False
    if not one.comparable(two):
        return None
    found = one.compare(two)
    return None if found is None else found == 0


def _read_alike(one: Any, two: Any) -> tuple[Any, Any]:
    """Text beside a date is read as one."""
    if isinstance(one, Temporal) and isinstance(two, str):
        return one, Temporal.read(two) or two
    if isinstance(two, Temporal) and isinstance(one, str):
        return Temporal.read(one) or one, two
    return one, two


def _kind(item: Any) -> type:
    if isinstance(item, bool):
        return bool
    return Decimal if isinstance(item, (int, Decimal)) else str if isinstance(item, str) else type(item)


def equivalent(left: list[Any], right: list[Any]) -> bool:
    """Whether two collections hold alike items in any order; two empty ones do."""
    if len(left) != len(right):
        return False
    rest = list(right)
    for one in left:
        place = next((place for place, two in enumerate(rest) if _alike(one, two)), None)
        if place is None:
            return False
        del rest[place]
    return True


def _alike(one: Any, two: Any) -> bool:
    one, two = value(one), value(two)
    if isinstance(one, Node) and isinstance(two, Node):
        return _alike_trees(one.data, two.data)
    first, second = quantity(one), quantity(two)
    if first is not None and second is not None:
        return first.alike(second)
    one, two = _read_alike(one, two)
    if isinstance(one, Temporal) and isinstance(two, Temporal):
        return _same_time(one, two) is True
    return _alike_values(one, two)


def _alike_values(one: Any, two: Any) -> bool:
    if _kind(one) is not _kind(two):
        return False
    if isinstance(one, str):
        return _plain(one) == _plain(two)
    if isinstance(one, (int, Decimal)) and not isinstance(one, bool):
        places = min(_places(one), _places(two))
        return _rounded(one, places) == _rounded(two, places)
    return bool(one == two)


def _plain(text: str) -> str:
    return _SPACE.sub(" ", text.strip()).casefold()


def _places(number: int | Decimal) -> int:
    exponent = number.normalize().as_tuple().exponent if isinstance(number, Decimal) else 0
    return max(0, -exponent) if isinstance(exponent, int) else 0


def _rounded(number: int | Decimal, places: int) -> Decimal:
    return Decimal(number).quantize(Decimal(1).scaleb(-places), ROUND_HALF_UP)


def _alike_trees(one: Any, two: Any) -> bool:
    if isinstance(one, dict) and isinstance(two, dict):
        names = (one.keys() | two.keys()) - {"id"}
        return all(name in one and name in two and _alike_trees(one[name], two[name]) for name in names)
    if isinstance(one, list) and isinstance(two, list):
        return equivalent([Node(each, "?") for each in one], [Node(each, "?") for each in two])
    return _alike_values(one, two)


def order(left: list[Any], right: list[Any]) -> int | None:
    """-1, 0 or 1 for two single values; None if one is missing or it can't be told, ValueError for others."""
    if not left or not right:
        return None
    if len(left) > 1 or len(right) > 1:
        raise CannotError("only single values can be compared")
    one, two = value(left[0]), value(right[0])
    if one is None or two is None:
        return None
    first, second = quantity(one), quantity(two)
    if first is not None and second is not None:
        return first.compare(second)
    if isinstance(one, Node) and isinstance(two, Node) and one.type == two.type == "Quantity":
        return None  # one of them has no value
    one, two = _read_alike(one, two)
    if isinstance(one, Temporal) and isinstance(two, Temporal):
        return one.compare(two) if one.comparable(two) else None
    if _kind(one) is not _kind(two) or isinstance(one, (bool, Node, Quantity)):
        raise CannotError("values of different types can't be compared")
    return int(one > two) - int(one < two)


def member_of(item: Any, items: list[Any]) -> bool:
    """Whether one of the items is equal to it."""
    return any(equal_items(item, one) is True for one in items)


def distinct(items: list[Any]) -> list[Any]:
    """The items, each once, in their order."""
    found: list[Any] = []
    seen: set[Any] = set()
    unsorted: list[Any] = []
    for item in items:
        key = _key(value(item))
        if key is None:
            if not member_of(item, unsorted):
                unsorted.append(item)
                found.append(item)
        elif key not in seen:
            seen.add(key)
            found.append(item)
    return found


def _key(item: Any) -> Any:
    """What equal items share, None for those that have to be compared one by one."""
    if isinstance(item, Node):
        return ("tree", _frozen(item.data))
    if isinstance(item, bool):
        return ("boolean", item)
    return item if isinstance(item, (str, int, Decimal)) else None


def _frozen(data: Any) -> Any:
    if isinstance(data, dict):
        return frozenset((name, _frozen(one)) for name, one in data.items())
    return tuple(map(_frozen, data)) if isinstance(data, list) else data
