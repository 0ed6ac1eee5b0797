"""The elements of a FHIR tree as FHIRPath walks them: each knows its type and its place."""

from collections.abc import Iterator
from decimal import Decimal
from functools import cache
from itertools import zip_longest
from typing import Any

from service.fhir.elements import elements, is_primitive, lineage
from service.fhir.fhirpath.values import CannotError, Quantity, Temporal

__all__ = [
    "Node",
    "Steps",
    "children",
    "extends",
    "is_a",
    "is_known",
    "members",
    "node_of",
    "quantity",
    "system_type",
    "value",
]

Steps = tuple[str | int, ...]
_TEMPORAL = frozenset({"date", "dateTime", "instant", "time"})
_SYSTEM = frozenset({"Boolean", "String", "Integer", "Decimal", "Date", "DateTime", "Time", "Quantity"})
_QUANTITIES = frozenset({"Quantity", "Age", "Count", "Distance", "Duration"})


class Node:
    """An element: its JSON value, what stands beside it (``_name``), its type, and where it stands."""

    __slots__ = ("beside", "data", "place", "type")

    def __init__(self, data: Any, type_: str, place: Steps | None = None, beside: Any = None) -> None:
        """``type_`` is a FHIR type or a part's path, empty if nobody knows."""
        self.data = data
        self.type = type_
        self.place = place
        self.beside = beside if isinstance(beside, dict) else None

    @property
    def primitive(self) -> bool:
        """Whether it is a primitive, which has a value."""
        return is_primitive(self.type)


def node_of(data: Any, type_: str = "", place: Steps | None = None) -> Any:
    """Answer JSON as FHIRPath sees it: a resource knows its type itself."""
    if isinstance(data, dict):
        return Node(data, type_ or str(data.get("resourceType", "")), place)
    return Node(data, type_, place) if type_ else data


def value(item: Any) -> Any:
    """The value of a primitive as FHIRPath's own; anything else stays what it is, None without a value."""
    if not isinstance(item, Node):
        return item
    if item.type in _QUANTITIES:
        return item
    if not item.primitive or item.data is None:
        return item.data if item.primitive else item
    if item.type in _TEMPORAL and isinstance(item.data, str):
        return _moment(item.data, item.type)
    return item.data


def _moment(text: str, type_: str) -> Temporal | str:
    """A date or time; a dateTime may be written as a day, and is none."""
    found = Temporal.read(text)
    if found is not None and found.kind == "Date" and type_ != "date":
        return Temporal("DateTime", found.parts)
    return found or text


def quantity(item: Any) -> Quantity | None:
    """A Quantity element, or a number, as FHIRPath's own quantity; None if it is none."""
    if isinstance(item, Quantity):
        return item
    if isinstance(item, Node) and item.type in _QUANTITIES:
        number, unit = item.data.get("value"), item.data.get("code", item.data.get("unit", "1"))
        if isinstance(number, (int, Decimal)) and isinstance(unit, str):
            return Quantity(number, unit)
    return None


def members(item: Any, name: str) -> Iterator[Any]:
    """The elements of that name below an item."""
    if not isinstance(item, Node):
        return
    if item.primitive:
        if item.beside is not None:
            yield from _below(item.beside, "Element", _beside(item.place), name)
    elif isinstance(item.data, dict):
        yield from _below(item.data, item.type, item.place, name)


def children(item: Any) -> Iterator[Any]:
    """Every element below an item, in the order of its type."""
    if not isinstance(item, Node):
        return
    type_, data = ("Element", item.beside) if item.primitive else (item.type, item.data)
    place = _beside(item.place) if item.primitive else item.place
    if isinstance(data, dict):
        for name in _names(type_):
            yield from _below(data, type_, place, name)


def _below(data: dict[str, Any], type_: str, place: Steps | None, name: str) -> Iterator[Any]:
    forms = _forms(type_).get(name)
    if forms is None:
        if not type_ and name in data:
            yield from _untyped(data[name])
        elif name in elements(type_):
            raise CannotError(
                f"'{name}' is how JSON writes it; the element is called '{elements(type_)[name].choice}'"
            )
        return
    for json_name, own, primitive in forms:
        if json_name in data or (primitive and f"_{json_name}" in data):
            beside = data.get(f"_{json_name}") if primitive else None
            yield from _each(data.get(json_name), own, None if place is None else (*place, json_name), beside)


def _each(data: Any, type_: str, place: Steps | None, beside: Any) -> Iterator[Node]:
    if not isinstance(data, list) and not isinstance(beside, list):
        yield _typed(data, type_, place, beside)
        return
    values = data if isinstance(data, list) else []
    extras = beside if isinstance(beside, list) else []
    for index, (one, extra) in enumerate(zip_longest(values, extras)):
        if one is not None or extra is not None:
            yield _typed(one, type_, None if place is None else (*place, index), extra)


def _typed(data: Any, type_: str, place: Steps | None, beside: Any) -> Node:
    if type_ == "Resource" and isinstance(data, dict):
        type_ = str(data.get("resourceType", type_))
    return Node(data, type_, place, beside)


def _untyped(data: Any) -> Iterator[Any]:
    for one in data if isinstance(data, list) else (data,):
        if one is not None:
            yield node_of(one)


def _beside(place: Steps | None) -> Steps | None:
    """The place of a primitive's id and extensions."""
    if not place:
        return place
    if isinstance(place[-1], int):
        return (*place[:-2], f"_{place[-2]}", place[-1])
    return (*place[:-1], f"_{place[-1]}")


@cache
def _forms(type_: str) -> dict[str, list[tuple[str, str, bool]]]:
    """Element to the names it has in JSON, each with its type and whether that is a primitive."""
    found: dict[str, list[tuple[str, str, bool]]] = {}
    for element in elements(type_).values():
        name = element.choice or element.name
        found.setdefault(name, []).append((element.name, element.type, is_primitive(element.type)))
    return found


@cache
def _names(type_: str) -> tuple[str, ...]:
    return tuple(_forms(type_))


def system_type(item: Any) -> str:
    """The name of the type of one of FHIRPath's own values."""
    if isinstance(item, bool):
        return "Boolean"
    if isinstance(item, Temporal):
        return item.kind
    kinds = ((str, "String"), (int, "Integer"), (Decimal, "Decimal"), (Quantity, "Quantity"))
    return next((name for kind, name in kinds if isinstance(item, kind)), "")


def is_known(space: str, name: str) -> bool:
    """Whether there is a type of that name."""
    fhir = (
        is_primitive(name) or bool(elements(name)) or name in {"Resource", "SimpleQuantity", "MoneyQuantity"}
    )
    return space in {"", "System", "FHIR"} and (fhir or name in _SYSTEM)


def is_a(item: Any, space: str, name: str, *, exactly: bool = False) -> bool:
    """Whether an item has the type; ``exactly``: a primitive of a narrower type has not."""
    if not isinstance(item, Node):
        return space in {"", "System"} and system_type(item) == name
    if space == "System":
        return False
    if exactly and item.primitive:
        return item.type == name
    return extends(item.type, name)


def extends(type_: str, name: str) -> bool:
    """Whether a FHIR type is that type or one made from it."""
    return name in lineage(type_)
