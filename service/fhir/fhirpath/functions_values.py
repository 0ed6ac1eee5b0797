"""FHIRPath functions on single values: conversions, mathematics, boundaries (sections 5.5, 5.7 and 5.9)."""

import math
import re
from collections.abc import Callable
from datetime import UTC, datetime
from decimal import ROUND_CEILING, ROUND_FLOOR, ROUND_HALF_UP, Decimal
from typing import Any

from service.fhir.fhirpath.arithmetic import negated
from service.fhir.fhirpath.boundaries import high_boundary, low_boundary, precision
from service.fhir.fhirpath.context import Context
from service.fhir.fhirpath.evaluation import Evaluated, Function, Functions, single
from service.fhir.fhirpath.nodes import Node, quantity, value
from service.fhir.fhirpath.values import CALENDAR, CannotError, Kind, Quantity, Temporal

__all__ = ["FUNCTIONS"]

_TRUE = frozenset({"true", "t", "yes", "y", "1", "1.0"})
_FALSE = frozenset({"false", "f", "no", "n", "0", "0.0"})
_INTEGER = re.compile(r"[+-]?\d+", re.ASCII)
_DECIMAL = re.compile(r"[+-]?\d+(?:\.\d+)?", re.ASCII)
_QUANTITY = re.compile(r"([+-]?\d+(?:\.\d+)?)\s*(?:'([^']+)'|([a-z]+))?", re.ASCII)


def _one(items: list[Any]) -> Any:
    """The one value of a collection, or element; None if there is none."""
    if len(items) > 1:
        raise CannotError("one value is needed, several are there")
    return value(items[0]) if items else None


def _converting(convert: Callable[[Any], Any]) -> Function:
    def function(_: Context, items: list[Any], *__: Evaluated) -> list[Any]:
        item = _one(items)
        found = None if item is None else convert(item)
        return [] if found is None else [found]

    return function


def _convertible(convert: Callable[[Any], Any]) -> Function:
    def function(_: Context, items: list[Any], *__: Evaluated) -> list[Any]:
        return [convert(_one(items)) is not None] if items else []

    return function


def _boolean(item: Any) -> bool | None:
    text = str(item).lower()
    return True if text in _TRUE else False if text in _FALSE else None


def _integer(item: Any) -> int | None:
    if isinstance(item, (bool, int)):
        return int(item)
    return int(item) if isinstance(item, str) and _INTEGER.fullmatch(item) else None


def _decimal(item: Any) -> Decimal | None:
    if isinstance(item, (bool, int, Decimal)):
        return Decimal(item)
    return Decimal(item) if isinstance(item, str) and _DECIMAL.fullmatch(item) else None


def _string(item: Any) -> str | None:
    if isinstance(item, bool):
        return str(item).lower()
    if isinstance(item, Decimal):
        return f"{item:f}"
    if isinstance(item, Node):
        item = quantity(item)
    return None if item is None else str(item)


def _read(*kinds: Kind) -> Callable[[Any], Temporal | None]:
    def convert(item: Any) -> Temporal | None:
        found = Temporal.read(item) if isinstance(item, str) else item
        if not isinstance(found, Temporal) or found.kind not in kinds:
            return None
        return Temporal(kinds[0], found.parts, found.offset) if found.kind != kinds[0] else found

    return convert


def _date(item: Any) -> Temporal | None:
    found = _read("Date", "DateTime")(item)
    return Temporal("Date", found.parts[:3]) if found is not None else None


def _quantity(item: Any) -> Quantity | None:
    if isinstance(item, (bool, int, Decimal)):
        number: Decimal | int = item if isinstance(item, Decimal) else int(item)
        return Quantity(number)
    if isinstance(item, str):
        return _quantity_of_text(item)
    return quantity(item)


def _quantity_of_text(text: str) -> Quantity | None:
    found = _QUANTITY.fullmatch(text)
    if found is None or (found[3] and found[3] not in CALENDAR):
        return None
    number: Decimal | int = Decimal(found[1]) if "." in found[1] else int(found[1])
    unit = CALENDAR.get(found[3] or "")
    return Quantity(number, unit, calendar=True) if unit else Quantity(number, found[2] or "1")


def _mathematics(function: Callable[..., Any]) -> Function:
    def evaluate(context: Context, items: list[Any], *arguments: Evaluated) -> list[Any]:
        number = _one(items)
        given = [single(argument(context), (int, Decimal)) for argument in arguments]
        if number is None or None in given:
            return []
        if not isinstance(number, (int, Decimal)) or isinstance(number, bool):
            raise CannotError("a number is needed")
        try:
            found = function(number, *given)
        except (ArithmeticError, ValueError):  # outside of what the function is defined for
            return []
        return [found]

    return evaluate


def _absolute(context: Context, items: list[Any]) -> list[Any]:
    item = _one(items)
    if isinstance(item, Quantity):
        return [negated(item) if item.value < 0 else item]
    return _mathematics(abs)(context, items)


def _rounded(number: int | Decimal, places: int = 0) -> Decimal:
    return Decimal(number).quantize(Decimal(1).scaleb(-int(places)), ROUND_HALF_UP)


def _real(function: Callable[..., float]) -> Callable[..., Decimal]:
    return lambda *numbers: Decimal(repr(function(*map(float, numbers))))


def _power(base: Any, exponent: Any) -> Any:
    if abs(exponent) > 1_000 or abs(base) > 10**100:
        raise OverflowError
    if isinstance(base, int) and isinstance(exponent, int) and exponent >= 0:
        return base**exponent
    found = float(base) ** float(exponent)
    return Decimal(repr(found))  # a complex number is none, and nothing is answered


def _boundary(find: Callable[[Any, int | None], Any]) -> Function:
    def evaluate(context: Context, items: list[Any], digits: Evaluated | None = None) -> list[Any]:
        item = _one(items)
        wanted = single(digits(context), int) if digits is not None else None
        item = quantity(item) if isinstance(item, Node) else item
        found = None if item is None else find(item, wanted)
        return [] if found is None else [found]

    return evaluate


def _comparable(context: Context, items: list[Any], other: Evaluated) -> list[Any]:
    one, two = (quantity(_one(each)) for each in (items, other(context)))
    return [] if one is None or two is None else [one.compare(two) is not None]


def _now() -> datetime:
    return datetime.now(UTC)


def _moment(kind: str) -> Function:
    def evaluate(_: Context, __: list[Any]) -> list[Any]:
        now = _now()
        clock = (now.hour, now.minute, Decimal(f"{now.second}.{now.microsecond // 1000:03d}"))
        if kind == "Time":
            return [Temporal("Time", clock)]
        day = (now.year, now.month, now.day)
        return [Temporal("Date", day) if kind == "Date" else Temporal("DateTime", (*day, *clock), 0)]

    return evaluate


_CONVERSIONS: dict[str, Callable[[Any], Any]] = {
    "Boolean": _boolean,
    "Date": _date,
    "DateTime": _read("DateTime", "Date"),
    "Decimal": _decimal,
    "Integer": _integer,
    "Quantity": _quantity,
    "String": _string,
    "Time": _read("Time"),
}
FUNCTIONS: Functions = {
    **{f"to{name}": (0, 1, _converting(convert)) for name, convert in _CONVERSIONS.items()},
    **{f"convertsTo{name}": (0, 1, _convertible(convert)) for name, convert in _CONVERSIONS.items()},
    "abs": (0, 0, _absolute),
    "ceiling": (0, 0, _mathematics(lambda number: int(Decimal(number).to_integral_value(ROUND_CEILING)))),
    "comparable": (1, 1, _comparable),
    "exp": (0, 0, _mathematics(_real(math.exp))),
    "floor": (0, 0, _mathematics(lambda number: int(Decimal(number).to_integral_value(ROUND_FLOOR)))),
    "highBoundary": (0, 1, _boundary(high_boundary)),
    "ln": (0, 0, _mathematics(_real(math.log))),
    "log": (1, 1, _mathematics(_real(math.log))),
    "lowBoundary": (0, 1, _boundary(low_boundary)),
    "now": (0, 0, _moment("DateTime")),
    "power": (1, 1, _mathematics(_power)),
    "precision": (0, 0, _boundary(lambda item, _: precision(item))),
    "round": (0, 1, _mathematics(_rounded)),
    "sqrt": (0, 0, _mathematics(_real(math.sqrt))),
    "timeOfDay": (0, 0, _moment("Time")),
    "today": (0, 0, _moment("Date")),
    "truncate": (0, 0, _mathematics(int)),
}
