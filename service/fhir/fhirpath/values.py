"""FHIRPath's own values beside text, numbers and booleans: dates and times, and quantities."""

import re
from calendar import monthrange
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from fractions import Fraction
from typing import Literal

from service.fhir.units import canonical

__all__ = ["CALENDAR", "CannotError", "Kind", "Quantity", "Temporal"]

_DATE = re.compile(
    r"(\d{4})(?:-(\d\d)(?:-(\d\d))?)?(T(?:(\d\d)(?::(\d\d)(?::(\d\d(?:\.\d+)?))?)?)?(Z|[+-]\d\d:\d\d)?)?",
    re.ASCII,
)
_TIME = re.compile(r"(\d\d)(?::(\d\d)(?::(\d\d(?:\.\d+)?))?)?", re.ASCII)
_UNITS = ("year", "month", "week", "day", "hour", "minute", "second", "millisecond")
CALENDAR = {name: unit for unit in _UNITS for name in (unit, f"{unit}s")}
"""Words for durations, and the unit each means."""
_OF_UCUM = {"d": "day", "wk": "week", "h": "hour", "min": "minute", "s": "second", "ms": "millisecond"}
_SECONDS = {
    "week": Fraction(604_800),
    "day": Fraction(86_400),
    "hour": Fraction(3_600),
    "minute": Fraction(60),
    "second": Fraction(1),
    "millisecond": Fraction(1, 1_000),
}
_MONTHS = {"year": 12, "month": 1}
Kind = Literal["Date", "DateTime", "Time"]


class CannotError(ValueError):
    """An expression can't be evaluated on what is there; says why."""


@dataclass(frozen=True, slots=True)
class Temporal:
    """A date, dateTime or time: its parts from the year (or hour) down to the precision it has.

    Seconds are a Decimal, their fraction part of them; ``offset`` is in minutes, None without one.
    """

    kind: Kind
    parts: tuple[int | Decimal, ...]
    offset: int | None = None

    @classmethod
    def read(cls, text: str, *, literal: bool = False) -> "Temporal | None":
        """Read a value, or a literal without its @ (a time begins with T there); None if it is none."""
        if text.startswith("T") if literal else (":" in text[:3] or len(text) == 2):
            return cls._time(text.removeprefix("T"))
        found = _DATE.fullmatch(text)
        if found is None:
            return None
        year, month, day, time, hour, minute, second, offset = found.groups()
        if time is None:
            return cls("Date", _parts(year, month, day))
        if hour is None and offset is not None:
            return None
        moment = cls("DateTime", _parts(year, month, day, hour, minute, second), _minutes(offset))
        return moment if moment._exists() else None

    @classmethod
    def _time(cls, text: str) -> "Temporal | None":
        found = _TIME.fullmatch(text)
        return cls("Time", _parts(*found.groups())) if found else None

    def _exists(self) -> bool:
        try:
            self.moment()
        except ValueError:
            return False
        return True

    def __str__(self) -> str:
        if self.kind == "Time":
            return _clock(self.parts)
        date = "-".join(f"{part:0{width}d}" for part, width in zip(self.parts[:3], (4, 2, 2), strict=False))
        if self.kind == "Date":
            return date
        clock = _clock(self.parts[3:])
        return f"{date}T{clock}{_offset(self.offset)}" if clock else date

    def moment(self) -> datetime:
        """The beginning of what it covers, as if in UTC."""
        year, month, day, hour, minute, second = (int(part) for part in _filled(self.parts))
        fraction = _filled(self.parts)[5] % 1
        found = datetime(year, month, day, hour, minute, min(second, 59), tzinfo=UTC)
        return found + timedelta(microseconds=int(fraction * 1_000_000))

    def compare(self, other: "Temporal") -> int | None:
        """-1, 0 or 1; None when it can't be told at the precision the two share."""
        if (self.kind == "Time") != (other.kind == "Time"):
            raise CannotError("a time can't be compared with a date")
        mine, theirs = self.in_utc(), other.in_utc()
        for one, two in zip(mine, theirs, strict=False):
            if one != two:
                return -1 if one < two else 1
        if len(mine) != len(theirs) or self.zoned() != other.zoned():
            return None
        return 0

    def zoned(self) -> bool:
        """Whether it has an offset."""
        return self.offset is not None

    def comparable(self, other: "Temporal") -> bool:
        """Whether both have an offset, or neither; days have none and need none."""
        return self.zoned() == other.zoned() or min(len(self.parts), len(other.parts)) <= 3

    def in_utc(self) -> tuple[int | Decimal, ...]:
        """The parts in UTC."""
        if not self.offset or len(self.parts) < 4:
            return self.parts
        moment = self.moment() - timedelta(minutes=self.offset)
        whole = (moment.year, moment.month, moment.day, moment.hour, moment.minute)
        return (*whole, *self.parts[5:])[: len(self.parts)]

    def plus(self, number: Decimal | int, unit: str) -> "Temporal":
        """Add a whole number of a calendar unit, to the precision there is."""
        if self.kind == "Time":
            return self._later_the_same_day(number, unit)
        if unit in _MONTHS:
            return self._months(int(number) * _MONTHS[unit])
        whole = int(number) * _SECONDS[unit]
        if len(self.parts) < 3:  # as many whole months or years as there are in it
            days = int(whole / 86_400)
            return self._months(int(days / 365) * 12 if len(self.parts) == 1 else int(days / 30))
        moment = self.moment() + timedelta(microseconds=int(whole * 1_000_000))
        return self._with(moment)

    def _later_the_same_day(self, number: Decimal | int, unit: str) -> "Temporal":
        hour, minute, second = (*self.parts, 0, 0)[:3]
        start = datetime(2000, 1, 1, int(hour), int(minute), tzinfo=UTC)
        start += timedelta(microseconds=int(second * 1_000_000))
        moment = start + timedelta(microseconds=int(int(number) * _SECONDS[unit] * 1_000_000))
        return Temporal("Time", _precise(moment, self.parts, 3), self.offset)

    def _months(self, months: int) -> "Temporal":
        year, month, day, *rest = _filled(self.parts)
        total = int(year) * 12 + int(month) - 1 + months
        year, month = divmod(total, 12)
        if not 1 <= year <= 9_999:
            raise CannotError("it leads to a year that can't be written")
        day = min(int(day), monthrange(year, month + 1)[1])
        return Temporal(self.kind, (year, month + 1, day, *rest)[: len(self.parts)], self.offset)

    def _with(self, moment: datetime) -> "Temporal":
        return Temporal(self.kind, _precise(moment, self.parts, 0), self.offset)


def _precise(moment: datetime, like: tuple[int | Decimal, ...], first: int) -> tuple[int | Decimal, ...]:
    whole = (moment.year, moment.month, moment.day, moment.hour, moment.minute)
    last = like[-1]
    if not isinstance(last, Decimal):
        return (*whole, moment.second)[first : first + len(like)]
    exponent = last.as_tuple().exponent
    places = -exponent if isinstance(exponent, int) else 0
    second = Decimal(moment.second) + Decimal(moment.microsecond) / 1_000_000
    return (*whole[first:], round(second, places) if places else Decimal(moment.second))


def _filled(parts: tuple[int | Decimal, ...]) -> tuple[int | Decimal, ...]:
    return (*parts, *(1, 1, 1, 0, 0, 0)[len(parts) :])


def _parts(*texts: str | None) -> tuple[int | Decimal, ...]:
    found = [text for text in texts if text is not None]
    seconds = (
        len(texts) in {3, 6} and texts[-1] is not None and not (len(texts) == 3 and len(texts[0] or "") == 4)
    )
    return tuple(
        Decimal(text) if seconds and place == len(found) - 1 else int(text)
        for place, text in enumerate(found)
    )


def _clock(parts: tuple[int | Decimal, ...]) -> str:
    texts = [f"{int(part):02d}" for part in parts[:2]]
    if len(parts) > 2:
        whole, dot, fraction = str(parts[2]).partition(".")
        texts.append(f"{int(whole):02d}{dot}{fraction}")
    return ":".join(texts)


def _minutes(offset: str | None) -> int | None:
    if offset is None:
        return None
    if offset == "Z":
        return 0
    minutes = int(offset[1:3]) * 60 + int(offset[4:6])
    return -minutes if offset[0] == "-" else minutes


def _offset(minutes: int | None) -> str:
    if minutes is None:
        return ""
    return (
        f"{'-' if minutes < 0 else '+'}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}" if minutes else "Z"
    )


@dataclass(frozen=True, slots=True)
class Quantity:
    """A number with a unit: a UCUM code, or a calendar duration (``year``)."""

    value: Decimal | int
    unit: str = "1"
    calendar: bool = False

    def __str__(self) -> str:
        if self.calendar:
            return f"{self.value} {self.unit}{'s' * (self.value != 1)}"
        return f"{self.value} '{self.unit}'"

    def duration(self) -> str:
        """The calendar unit that can be added to a date; ValueError if there is none."""
        unit = self.unit if self.calendar else _OF_UCUM.get(self.unit, CALENDAR.get(self.unit, ""))
        if not unit:
            raise CannotError(f"'{self.unit}' is no duration that can be added to a date")
        return unit

    def compare(self, other: "Quantity") -> int | None:
        """-1, 0 or 1; None when the units can't be converted into each other."""
        mine, theirs = self.in_base_units(), other.in_base_units()
        if self.unit == other.unit and self.calendar == other.calendar:
            mine, theirs = (Fraction(self.value), ""), (Fraction(other.value), "")
        if mine is None or theirs is None or mine[1] != theirs[1]:
            return None
        return (mine[0] > theirs[0]) - (mine[0] < theirs[0])

    def in_base_units(self) -> tuple[Fraction, str] | None:
        """The value and unit that others can be compared with; None for a unit nobody knows."""
        unit = self.unit if self.calendar else _OF_UCUM.get(self.unit, "")
        if unit in _SECONDS:
            return Fraction(self.value) * _SECONDS[unit], "second^1"
        if unit in _MONTHS:
            return Fraction(self.value) * _MONTHS[unit], "month"
        return canonical(self.value, self.unit)

    def alike(self, other: "Quantity") -> bool:
        """Whether it is equivalent: a calendar year is then as good as UCUM's."""
        one, two = (
            Quantity(each.value, {"a": "year", "mo": "month"}.get(each.unit, each.unit), calendar=True)
            if each.unit in {"a", "mo"}
            else each
            for each in (self, other)
        )
        return one.compare(two) == 0 or _rounds_to(one, two)


def _rounds_to(one: Quantity, two: Quantity) -> bool:
    """Whether they agree in the larger unit, to the digits written there."""
    mine, theirs = one.in_base_units(), two.in_base_units()
    if mine is None or theirs is None or mine[1] != theirs[1] or not one.value or not two.value:
        return False
    pairs = (
        (mine[0] / Fraction(one.value), one, theirs),
        (theirs[0] / Fraction(two.value), two, mine),
    )
    factor, larger, smaller = max(pairs, key=lambda pair: pair[0])
    exponent = larger.value.as_tuple().exponent if isinstance(larger.value, Decimal) else 0
    return round(smaller[0] / factor, -int(exponent)) == Fraction(larger.value)
