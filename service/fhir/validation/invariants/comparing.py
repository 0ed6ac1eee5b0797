"""What comes before what: dates of any precision, and quantities of any unit."""

from decimal import Decimal
from typing import Any

from service.fhir.fhirpath.values import Temporal
from service.fhir.json import Tree
from service.fhir.units import UCUM, canonical
from service.fhir.validation.reading import number, text

__all__ = ["dates_in_order", "quantities_in_order"]


def dates_in_order(first: Any, second: Any, *, surely: bool = True) -> bool:
    """Whether one date or dateTime is not after the other; yes if one is missing or no date.

    Where that can't be told at the precision the two share, the answer is no if it has to be so ``surely``:
    2026-02 is not surely before 2026-02-04.
    """
    if not isinstance(first, str) or not isinstance(second, str):
        return True
    if len(first) == len(second) and first[19:] == second[19:]:  # texts in the order of what they mean
        return first <= second
    one, two = Temporal.read(first), Temporal.read(second)
    if one is None or two is None:
        return True
    found = one.compare(two) if one.comparable(two) else None
    return not surely if found is None else found <= 0


def quantities_in_order(first: Tree, second: Tree) -> bool:
    """Whether one quantity is not greater than the other; no if they can't be compared."""
    low, high = number(first, "value"), number(second, "value")
    if low is None or high is None:
        return False
    if _unit(first) == _unit(second):
        return low <= high
    return _converted_in_order(first, low, second, high)


def _unit(quantity: Tree) -> tuple[str, str]:
    code = text(quantity, "code")
    return (text(quantity, "system"), code) if code else ("", text(quantity, "unit") or "1")


def _converted_in_order(first: Tree, low: int | Decimal, second: Tree, high: int | Decimal) -> bool:
    if text(first, "system") != UCUM or text(second, "system") != UCUM:
        return False
    one, two = canonical(low, text(first, "code")), canonical(high, text(second, "code"))
    return one is not None and two is not None and one[1] == two[1] and one[0] <= two[0]
