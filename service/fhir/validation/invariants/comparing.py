"""What comes before what: dates of any precision, and quantities of any unit."""

from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

from service.fhir.datetimes import interval
from service.fhir.json import Tree
from service.fhir.units import UCUM, canonical
from service.fhir.validation.invariants.reading import number, text

__all__ = ["dates_in_order", "quantities_in_order"]

_UTC = ZoneInfo("UTC")
_HOUR = 3_600_000
_EAST, _WEST = 14 * _HOUR, 12 * _HOUR  # how far a local time may be from UTC


def dates_in_order(first: Any, second: Any) -> bool:
    """Whether one date or dateTime is not certainly after the other; yes if one is missing.

    What lacks an offset may be anywhere on earth when the other has one.
    """
    if (
        not isinstance(first, str)
        or not isinstance(second, str)
        or (first <= second and _alike(first, second))
    ):
        return True
    early, late = interval(first, _UTC)[0], interval(second, _UTC)[1]
    if _has_offset(first) != _has_offset(second):
        late += _WEST if _has_offset(first) else _EAST
    return early < late


def _alike(first: str, second: str) -> bool:
    """Whether the order of the texts is that of the dates: both days, or times in one zone."""
    return len(first) == len(second) and first[19:] == second[19:]


def _has_offset(when: str) -> bool:
    return when.endswith("Z") or (when[-6:-5] in {"+", "-"} and "T" in when)


def quantities_in_order(first: Tree, second: Tree) -> bool:
    """Whether one quantity is not greater than the other; yes if they can't be compared."""
    low, high = number(first, "value"), number(second, "value")
    if low is None or high is None:
        return True
    if _unit(first) == _unit(second):
        return low <= high
    return _converted_in_order(first, low, second, high)


def _unit(quantity: Tree) -> tuple[str, str]:
    code = text(quantity, "code")
    return (text(quantity, "system"), code) if code else ("", text(quantity, "unit") or "1")


def _converted_in_order(first: Tree, low: int | Decimal, second: Tree, high: int | Decimal) -> bool:
    if text(first, "system") != UCUM or text(second, "system") != UCUM:
        return True
    one, two = canonical(low, text(first, "code")), canonical(high, text(second, "code"))
    return one is None or two is None or one[1] != two[1] or one[0] <= two[0]
