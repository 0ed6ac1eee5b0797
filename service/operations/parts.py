"""Parts of a FHIR Parameters resource; what is not there makes no part."""

from collections.abc import Callable, Iterable, Mapping
from datetime import date
from decimal import Decimal
from fractions import Fraction
from typing import Any

from service.attainment.goals import Value
from service.attainment.intervals import Interval
from service.terminology.codes import UCUM

__all__ = [
    "Part",
    "code",
    "counts",
    "dated",
    "decimal",
    "given",
    "group",
    "measured",
    "number",
    "part",
    "percent",
    "points",
    "quantity",
    "range_of",
    "sources",
    "span",
    "text",
    "whole",
]

Part = dict[str, Any]
_PLACES = Decimal("0.000001")


def decimal(value: Fraction | float) -> Decimal:
    """A number to six places, without trailing zeros or exponent."""
    return _plain(Decimal(value)) if isinstance(value, (int, float)) else _ratio(*value.as_integer_ratio())


def _ratio(above: int, below: int) -> Decimal:
    return Decimal(above) if below == 1 else _plain(Decimal(above) / below)


def _plain(exact: Decimal) -> Decimal:
    rounded = exact.quantize(_PLACES)
    whole_part = rounded.to_integral_value()
    return whole_part + 0 if rounded == whole_part else rounded.normalize()  # + 0 makes -0 plain


def quantity(value: Fraction | float, unit: str) -> dict[str, Any]:
    """A Quantity in a UCUM unit."""
    return _amount(decimal(value), unit)


def _amount(value: Decimal, unit: str) -> dict[str, Any]:
    return {"value": value, "unit": unit, "system": UCUM, "code": unit}


def range_of(interval: Interval, unit: str) -> dict[str, Any]:
    """A Range in a UCUM unit."""
    return {"low": quantity(interval.low, unit), "high": quantity(interval.high, unit)}


def part(name: str, **value: Any) -> Part:
    """A parameter or part with one ``value[x]``."""
    return {"name": name, **value}


def group(name: str, parts: Iterable[Part]) -> Part:
    """A parameter or part made of parts."""
    return {"name": name, "part": list(parts)}


def given(value: Any, make: Callable[[Any], Part]) -> list[Part]:
    """What ``make`` says of a value, nothing for None and empty text."""
    return [] if value is None or (isinstance(value, str) and not value) else [make(value)]


def sources(evidence: Iterable[str]) -> list[Part]:
    """The resources behind a number."""
    return [{"name": "evidence", "valueReference": {"reference": source}} for source in evidence]


def text(name: str, value: str) -> list[Part]:
    """A string, if there is one."""
    return given(value, lambda text: part(name, valueString=text))


def code(name: str, value: str | None) -> list[Part]:
    """A code, if there is one."""
    return given(value, lambda code: part(name, valueCode=code))


def whole(name: str, value: int | None) -> list[Part]:
    """An integer, if there is one."""
    return given(value, lambda number: part(name, valueInteger=number))


def number(name: str, value: Fraction | float | None) -> list[Part]:
    """A decimal, if there is one."""
    return given(value, lambda number: part(name, valueDecimal=decimal(number)))


def points(name: str, share: Fraction | None) -> list[Part]:
    """A share, or a difference of shares, in percent."""
    if share is None:
        return []
    above, below = share.as_integer_ratio()  # to multiply fractions takes as long as all else here
    return [part(name, valueQuantity=_amount(_ratio(100 * above, below), "%"))]


def dated(name: str, value: date | None) -> list[Part]:
    """A date, if there is one."""
    return given(value, lambda day: part(name, valueDate=day.isoformat()))


def measured(name: str, value: Value | None, unit: str) -> list[Part]:
    """A measured value in its unit, if there is one."""
    return given(value, lambda found: part(name, valueQuantity=quantity(found.value, unit)))


def percent(shares: Interval | None) -> Interval | None:
    """An interval of shares in percent."""
    return None if shares is None else Interval(100 * shares.low, 100 * shares.high, shares.method)


def span(name: str, interval: Interval | None, unit: str) -> list[Part]:
    """An interval as a Range, if there is one."""
    return given(interval, lambda found: part(name, valueRange=range_of(found, unit)))


def counts(name: str, left_out: Mapping[str, int]) -> list[Part]:
    """How many trials or days were left out, by why."""
    return [
        group(name, [part("reason", valueString=why), part("count", valueUnsignedInt=count)])
        for why, count in left_out.items()
    ]
