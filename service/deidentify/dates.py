"""Dates and ages as 45 CFR 164.514(b)(2)(i)(C) lets them out.

Of every date only the year stays. Ages over 89 at the day of release, and every element (a year included)
that shows such an age, go into one class, "90 or older". A date is FHIR text (YYYY, YYYY-MM, YYYY-MM-DD, or
with a time); what is not written is taken as early as it can be, so that doubt hides rather than shows.
"""

import re
from datetime import date

__all__ = ["OLDEST_CLASS", "OLDEST_SHOWN", "age_class", "age_on", "year"]

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
