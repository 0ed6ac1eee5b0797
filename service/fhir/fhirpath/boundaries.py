"""How far a value of limited precision reaches (FHIRPath, lowBoundary, highBoundary and precision)."""

from calendar import monthrange
from decimal import ROUND_CEILING, ROUND_FLOOR, Decimal, localcontext
from typing import Any

from service.fhir.fhirpath.values import CannotError, Quantity, Temporal

__all__ = ["high_boundary", "low_boundary", "precision"]

_MOST_PLACES = 31
_MOST_DIGITS = 100
_USUAL_PLACES = 8
_DIGITS = {"Date": (4, 6, 8), "DateTime": (4, 6, 8, 10, 12, 17), "Time": (2, 4, 9)}
_WEST, _EAST = -12 * 60, 14 * 60


def low_boundary(item: Any, digits: int | None) -> Any:
    """The least value that ``item`` may stand for; None if there is none of that precision."""
    return _boundary(item, digits, high=False)


def high_boundary(item: Any, digits: int | None) -> Any:
    """The greatest value that ``item`` may stand for; None if there is none of that precision."""
    return _boundary(item, digits, high=True)


def precision(item: Any) -> int | None:
    """How many digits a value was written with."""
    if isinstance(item, Temporal):
        return _DIGITS[item.kind][len(item.parts) - 1]
    if isinstance(item, (int, Decimal)) and not isinstance(item, bool):
        return _places(item)
    return None


def _boundary(item: Any, digits: int | None, *, high: bool) -> Any:
    if isinstance(item, Quantity):
        found = _of_number(item.value, digits, high=high)
        return None if found is None else Quantity(found, item.unit, item.calendar)
    if isinstance(item, Temporal):
        return _of_moment(item, digits, high=high)
    if isinstance(item, (int, Decimal)) and not isinstance(item, bool):
        return _of_number(item, digits, high=high)
    raise CannotError("only numbers, quantities, dates and times have boundaries")


def _places(number: int | Decimal) -> int:
    exponent = number.as_tuple().exponent if isinstance(number, Decimal) else 0
    return max(0, -exponent) if isinstance(exponent, int) else 0


def _of_number(number: int | Decimal, digits: int | None, *, high: bool) -> Decimal | None:
    wanted = _USUAL_PLACES if digits is None else digits
    if not 0 <= wanted <= _MOST_PLACES:
        return None
    half = Decimal(5).scaleb(-_places(number) - 1)
    with localcontext(prec=_MOST_DIGITS):
        reached = Decimal(number) + (half if high else -half)
        return reached.quantize(Decimal(1).scaleb(-wanted), ROUND_CEILING if high else ROUND_FLOOR)


def _of_moment(moment: Temporal, digits: int | None, *, high: bool) -> Temporal | None:
    known = _DIGITS[moment.kind]
    wanted = known[-1] if digits is None else digits
    if wanted not in known:
        return None
    parts = (_time if moment.kind == "Time" else _full)(moment, high=high)[: known.index(wanted) + 1]
    if moment.kind != "DateTime" or len(parts) <= 3:
        return Temporal("Time" if moment.kind == "Time" else "Date", parts)
    unknown = _WEST if high else _EAST
    return Temporal("DateTime", parts, unknown if moment.offset is None else moment.offset)


def _time(moment: Temporal, *, high: bool) -> tuple[int | Decimal, ...]:
    rest = (23, 59, Decimal("59.999")) if high else (0, 0, Decimal("0.000"))
    return _with_thousandths((*moment.parts, *rest[len(moment.parts) :]), high=high)


def _full(moment: Temporal, *, high: bool) -> tuple[int | Decimal, ...]:
    year, *others = moment.parts
    month = others[0] if others else 12 if high else 1
    last = monthrange(int(year), int(month))[1] if high else 1
    rest = (
        (year, month, last, 23, 59, Decimal("59.999")) if high else (year, month, 1, 0, 0, Decimal("0.000"))
    )
    return _with_thousandths((*moment.parts, *rest[len(moment.parts) :]), high=high)


def _with_thousandths(parts: tuple[int | Decimal, ...], *, high: bool) -> tuple[int | Decimal, ...]:
    second = str(parts[-1])
    whole, _, fraction = second.partition(".")
    return (*parts[:-1], Decimal(f"{whole}.{(fraction).ljust(3, '9' if high else '0')[:3]}"))
