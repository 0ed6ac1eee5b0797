"""Arithmetic of FHIRPath (FHIRPath 2.0.0, section 6.6): numbers, text, quantities and dates."""

from decimal import Decimal, DivisionByZero, InvalidOperation, localcontext
from typing import Any

from service.fhir.fhirpath.nodes import Node, quantity, value
from service.fhir.fhirpath.values import CannotError, Quantity, Temporal

__all__ = ["calculate", "negated"]

Number = int | Decimal
_DIGITS = 8  # of a quotient, as the standard has decimals


def negated(item: Any) -> Any:
    """A number or quantity with the other sign."""
    if isinstance(item, Quantity):
        return Quantity(-item.value, item.unit, item.calendar)
    if not isinstance(item, (int, Decimal)) or isinstance(item, bool):
        raise CannotError("- takes a number")
    return -item


def calculate(sign: str, left: list[Any], right: list[Any]) -> list[Any]:
    """Answer left sign right; empty if one is missing, ValueError if they can't be put together."""
    if sign == "&":
        return [_text(left) + _text(right)]
    if not left or not right:
        return []
    if len(left) > 1 or len(right) > 1:
        raise CannotError(f"{sign} takes single values")
    one, two = value(left[0]), value(right[0])
    if one is None or two is None:
        return []
    found = _calculated(sign, _own(one), _own(two))
    return [] if found is None else [found]


def _text(items: list[Any]) -> str:
    if not items:
        return ""
    found = value(items[0]) if len(items) == 1 else 0
    if found is not None and not isinstance(found, str):
        raise CannotError("& takes texts")
    return found or ""


def _own(item: Any) -> Any:
    return quantity(item) if isinstance(item, Node) else item


def _calculated(sign: str, one: Any, two: Any) -> Any:
    if _numbers(one, two):
        return _of_numbers(sign, one, two)
    if isinstance(one, str) and isinstance(two, str) and sign == "+":
        return one + two
    if isinstance(one, Temporal) and isinstance(two, Quantity) and sign in {"+", "-"}:
        return one.plus(two.value if sign == "+" else -two.value, _duration(one, two))
    if isinstance(one, (Quantity, int, Decimal)) and isinstance(two, (Quantity, int, Decimal)):
        return _of_quantities(sign, _quantity(one), _quantity(two))
    raise CannotError(f"{sign} can't put these kinds of values together")


def _duration(moment: Temporal, added: Quantity) -> str:
    unit = added.duration()
    if moment.kind == "Time" and unit in {"year", "month", "week", "day"}:
        raise CannotError("only hours and less can be added to a time")
    return unit


def _numbers(*items: Any) -> bool:
    return all(isinstance(item, (int, Decimal)) and not isinstance(item, bool) for item in items)


def _of_numbers(sign: str, one: Number, two: Number) -> Number | None:
    try:
        return _result(sign, one, two)
    except (ZeroDivisionError, DivisionByZero, InvalidOperation):
        return None


def _result(sign: str, one: Number, two: Number) -> Number:
    match sign:
        case "+":
            return one + two
        case "-":
            return one - two
        case "*":
            return one * two
        case "/":
            return _quotient(Decimal(one), Decimal(two))
    whole = int(Decimal(one) / Decimal(two))  # towards zero
    return whole if sign == "div" else one - whole * two


def _quotient(one: Decimal, two: Decimal) -> Decimal:
    with localcontext(prec=60):
        found = one / two
        if found.as_tuple().exponent != 0 and found == found.to_integral_value():
            return found.quantize(Decimal(1))
        rounded = round(found, _DIGITS)
        return rounded.normalize() if rounded == found else rounded


def _quantity(item: Quantity | Number) -> Quantity:
    return item if isinstance(item, Quantity) else Quantity(item)


def _of_quantities(sign: str, one: Quantity, two: Quantity) -> Quantity | None:
    if sign in {"+", "-"}:
        if (one.unit, one.calendar) != (two.unit, two.calendar):
            return None
        return Quantity(
            one.value + two.value if sign == "+" else one.value - two.value, one.unit, one.calendar
        )
    number = _of_numbers(sign, one.value, two.value) if sign in {"*", "/"} else None
    return None if number is None else Quantity(number, _unit(sign, one.unit, two.unit))


def _unit(sign: str, one: str, two: str) -> str:
    if two == "1":
        return one
    if sign == "*":
        return two if one == "1" else f"({one}).({two})"
    return "1" if one == two else f"({one})/({two})"
