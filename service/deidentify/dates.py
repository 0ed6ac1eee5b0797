"""Dates and ages as they are let out: a year, days since a first visit, or another day.

45 CFR 164.514(b)(2)(i)(C) leaves of every date the year. Ages over 89 at the day of release, and every
element (a year included) that shows such an age, go into one class, "90 or older". A date is FHIR text (YYYY,
YYYY-MM, YYYY-MM-DD, or with a time); for ages, what is not written is taken as early as it can be, so that
doubt hides rather than shows.
"""

import re
from datetime import date, timedelta

__all__ = [
    "OLDEST_CLASS",
    "OLDEST_SHOWN",
    "age_class",
    "age_on",
    "as_stored",
    "day_of",
    "days_since",
    "shifted",
    "year",
]

OLDEST_SHOWN = 89
"""Whole years: an age above this is never shown."""
OLDEST_CLASS = "90 or older"

_DATE = re.compile(r"(\d{4})(?:-(\d\d)(?:-(\d\d)(?:T[0-9:.]+(?:Z|[+-]\d\d:\d\d)?)?)?)?", re.ASCII)


def age_on(day: date, since: str) -> int | None:
    """Whole years from ``since`` (FHIR date or dateTime) to ``day``; None if it is no date."""
    found = _DATE.fullmatch(since)
    if found is None:
        return None
    then = int(found[1]), int(found[2] or 1), int(found[3] or 1)
    return day.year - then[0] - ((day.month, day.day) < then[1:])


def age_class(age: int) -> str:
    """Ten-year class of an age in whole years: ``60-69``; above 89 ``90 or older``."""
    if age > OLDEST_SHOWN:
        return OLDEST_CLASS
    low = max(age, 0) // 10 * 10
    return f"{low}-{low + 9}"


def year(value: str, release: date) -> str | None:
    """Year of a date, or None where even the year shows an age over 89 at the release date.

    Anything that happened 90 or more years before the release tells that the person is older than 89, so the
    rule is the same for a birth date and for every other date.
    """
    age = age_on(release, value)
    return None if age is None or age > OLDEST_SHOWN else value[:4]


def as_stored(value: str) -> str | None:
    """The text as it is if it is a date at all (limited data set, 45 CFR 164.514(e)(2))."""
    return value if _DATE.fullmatch(value) else None


def day_of(value: str) -> date | None:
    """The day a date with a day, or a dateTime, names where it was written; None if it names none."""
    found = _DATE.fullmatch(value)
    return _day(int(found[1]), int(found[2]), int(found[3])) if found and found[3] else None


def days_since(value: str, first: date, release: date) -> int | None:
    """Whole days from ``first`` to a date; None if it has no day, or shows an age over 89."""
    day = day_of(value)
    return None if day is None or year(value, release) is None else (day - first).days


def shifted(value: str, days: int, release: date) -> str | None:
    """The date moved by ``days`` (below 0) without its time of day; None if it shows an age over 89.

    A month or year can't be moved: the year is left that its middle comes to lie in. An offset that is not
    below 0 lets nothing out, as it would be none, or show a day that has not come.
    """
    found = _DATE.fullmatch(value)
    middle = (
        _day(int(found[1]), int(found[2] or 7), int(found[3] or (15 if found[2] else 2))) if found else None
    )
    if found is None or middle is None or days >= 0 or middle.toordinal() + days < 1:
        return None
    moved = (middle + timedelta(days=days)).isoformat()
    if year(value, release) is None or year(moved, release) is None:
        return None
    return moved if found[3] else moved[:4]


def _day(year_: int, month: int, day: int) -> date | None:
    try:
        return date(year_, month, day)
    except ValueError:
        return None
