"""Values a profile lays down: fixed[x], pattern[x], minValue[x], maxValue[x] (elementdefinition.html)."""

from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

from service.fhir.datetimes import interval

__all__ = ["above", "below", "fits", "same", "shown"]

_UTC = ZoneInfo("UTC")


def same(value: Any, fixed: Any) -> bool:
    """Whether a value is exactly the fixed one; numbers compare by value, members in any order."""
    if isinstance(fixed, dict):
        return (
            isinstance(value, dict)
            and value.keys() == fixed.keys()
            and all(same(value[name], one) for name, one in fixed.items())
        )
    if isinstance(fixed, list):
        return isinstance(value, list) and len(value) == len(fixed) and all(map(same, value, fixed))
    return _equal(value, fixed)


def fits(value: Any, pattern: Any) -> bool:
    """Whether a value has everything the pattern has; each of its list items has to be matched by one."""
    if isinstance(pattern, dict):
        return isinstance(value, dict) and all(fits(value.get(name), one) for name, one in pattern.items())
    if isinstance(pattern, list):
        return isinstance(value, list) and all(any(fits(own, one) for own in value) for one in pattern)
    return _equal(value, pattern)


def below(value: Any, bound: Any) -> bool | None:
    """Whether a value is smaller than a bound; None if they can't be compared."""
    pair = _comparable(value, bound)
    return None if pair is None else bool(pair[0] < pair[1])


def above(value: Any, bound: Any) -> bool | None:
    """Whether a value is larger than a bound; None if they can't be compared."""
    pair = _comparable(value, bound)
    return None if pair is None else bool(pair[0] > pair[1])


def shown(value: Any) -> str:
    """A value laid down by a profile, short enough for a sentence."""
    if isinstance(value, dict):
        inner = value.get("coding", [value])
        texts = (shown(one) for one in (inner[0] if inner else value).values())
        return " ".join(text for text in texts if text)[:120]
    if isinstance(value, list):
        return ", ".join(map(shown, value))[:120]
    return str(value)[:120]


def _equal(value: Any, wanted: Any) -> bool:
    if isinstance(wanted, bool) or isinstance(value, bool):
        return value is wanted
    if isinstance(wanted, (int, float, Decimal)) and isinstance(value, (int, float, Decimal)):
        return _number(value) == _number(wanted)
    return type(value) is type(wanted) and bool(value == wanted)


def _number(value: float | Decimal) -> Decimal:
    return value if isinstance(value, Decimal) else Decimal(str(value))


def _comparable(value: Any, bound: Any) -> tuple[Any, Any] | None:
    if isinstance(value, dict) and isinstance(bound, dict):
        units = [(one.get("system"), one.get("code")) for one in (value, bound)]
        return _comparable(value.get("value"), bound.get("value")) if units[0] == units[1] else None
    if isinstance(value, bool) or isinstance(bound, bool):
        return None
    if isinstance(value, (int, float, Decimal)) and isinstance(bound, (int, float, Decimal)):
        return _number(value), _number(bound)
    if isinstance(value, str) and isinstance(bound, str):
        return _moments(value, bound)
    return None


def _moments(value: str, bound: str) -> tuple[Any, Any] | None:
    try:
        return interval(value, _UTC)[0], interval(bound, _UTC)[0]
    except ValueError:
        return (value, bound) if ":" in value and ":" in bound else None  # times of a day
