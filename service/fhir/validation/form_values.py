"""Comparing the values of forms: with another, with an option, with a bound (questionnaire.html)."""

from collections.abc import Mapping
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

from service.fhir.datetimes import interval

__all__ = ["equal", "order"]

_UTC = ZoneInfo("UTC")
_IDENTITY: Mapping[str, tuple[str, ...]] = {
    "Coding": ("system", "code"),
    "Reference": ("reference",),
    "Attachment": ("url",),
}


def equal(type_: str, one: Any, other: Any) -> bool | None:
    """Whether two values of a type are the same; None if it can't be told (quantities in other units)."""
    if type_ == "Quantity":
        found = order(type_, one, other)
        return None if found is None else found == 0
    if isinstance(one, dict) and isinstance(other, dict):
        names = _IDENTITY.get(type_, ())
        if type_ == "Coding" and "code" not in one and "code" not in other:
            names = ("display",)
        return all(one.get(name) == other.get(name) for name in names)
    return isinstance(one, bool) is isinstance(other, bool) and bool(one == other)


def order(type_: str, one: Any, other: Any) -> int | None:
    """Below, at or above: -1, 0 or 1; None if the two can't be compared."""
    if type_ == "Quantity" and isinstance(one, dict) and isinstance(other, dict):
        same = all(one.get(name) == other.get(name) for name in _unit(one, other))
        return _compared(one.get("value"), other.get("value")) if same else None
    if type_ in {"Date", "DateTime", "Instant"}:
        return _in_time(one, other)
    return _compared(one, other)


def _unit(one: Mapping[str, Any], other: Mapping[str, Any]) -> tuple[str, ...]:
    return ("system", "code") if "code" in one or "code" in other else ("unit",)


def _compared(one: Any, other: Any) -> int | None:
    for kind in ((int, Decimal), (str,)):
        if _is(one, kind) and _is(other, kind):
            return int(one > other) - int(one < other)
    return None


def _is(value: Any, kind: tuple[type, ...]) -> bool:
    return isinstance(value, kind) and not isinstance(value, bool)


def _in_time(one: Any, other: Any) -> int | None:
    """Dates are spans: those of which neither lies wholly before the other are equal only if the same."""
    if not isinstance(one, str) or not isinstance(other, str):
        return None
    try:
        (low, high), (other_low, other_high) = interval(one, _UTC), interval(other, _UTC)
    except ValueError:
        return None
    if high <= other_low:
        return -1
    if low >= other_high:
        return 1
    return 0 if (low, high) == (other_low, other_high) else None
