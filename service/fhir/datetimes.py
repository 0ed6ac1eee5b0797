"""FHIR date, dateTime and instant text as the span it covers (FHIR R4 datatypes.html, search.html)."""

import re
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from zoneinfo import ZoneInfo

__all__ = ["EARLIEST", "LATEST", "instant", "interval", "milliseconds"]

EARLIEST = -(2**53)
"""Stands for an open beginning, in UTC milliseconds; also the smallest integer every JSON reader keeps."""
LATEST = 2**53

_SHAPE = re.compile(
    r"(\d{4})(?:-(\d\d)(?:-(\d\d)(?:T(\d\d):(\d\d)(?::(\d\d)(?:\.(\d{1,9}))?)?(Z|[+-]\d\d:\d\d)?)?)?)?",
    re.ASCII,
)
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MILLISECOND = timedelta(milliseconds=1)


def interval(text: str, zone: ZoneInfo) -> tuple[int, int]:
    """Answer [low, high) in UTC milliseconds: a year covers its year, a second its second.

    Dates, and times without an offset, are read in ``zone``. ValueError, with a sentence, for anything else.
    """
    found = _SHAPE.fullmatch(text)
    if not found:
        raise ValueError(
            f"'{text[:40]}' is not a FHIR date or time such as 2026, 2026-02, 2026-02-04 or "
            "2026-02-04T10:30:00+01:00"
        )
    year, month, day, hour, minute, second, fraction, offset = found.groups()
    try:
        if hour is None:
            return _calendar(int(year), _int(month), _int(day), zone)
        zone_or_offset = _offset(offset) if offset else zone
        start = datetime(int(year), int(month), int(day), int(hour), int(minute), tzinfo=zone_or_offset)
        return _clock(milliseconds(start), second, fraction)
    except (ValueError, OverflowError):
        raise ValueError(f"'{text[:40]}' is not a day or time that exists") from None


def _clock(minute: int, second: str | None, fraction: str | None) -> tuple[int, int]:
    """The span within a minute that starts at ``minute``; second 60 is a leap second."""
    if second is None:
        return minute, minute + 60_000
    if int(second) > 60:
        raise ValueError(second)
    low = minute + int(second) * 1_000
    if fraction is None:
        return low, low + 1_000
    low += int(fraction[:3].ljust(3, "0"))
    return low, low + 10 ** max(0, 3 - len(fraction))


def milliseconds(moment: datetime) -> int:
    """Answer a moment (with a zone) as UTC milliseconds since 1970, rounded down."""
    return (moment - _EPOCH) // _MILLISECOND


def instant(utc_milliseconds: int) -> str:
    """Answer the FHIR instant text, ``2026-02-04T10:30:00.000Z``."""
    moment = _EPOCH + utc_milliseconds * _MILLISECOND
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _calendar(year: int, month: int | None, day: int | None, zone: ZoneInfo) -> tuple[int, int]:
    start = datetime(year, 1 if month is None else month, 1 if day is None else day, tzinfo=zone)
    if year == 9999:  # datetime can't say what follows
        return milliseconds(start), LATEST
    if month is None:
        end = start.replace(year=year + 1)
    elif day is None:
        end = start.replace(year=year + month // 12, month=month % 12 + 1)
    else:
        end = start + timedelta(days=1)
    return milliseconds(start), milliseconds(end)


def _int(text: str | None) -> int | None:
    return None if text is None else int(text)


def _offset(text: str) -> tzinfo:
    if text == "Z":
        return UTC
    hours, minutes = int(text[1:3]), int(text[4:6])
    if hours > 14 or minutes > 59:
        raise ValueError(text)
    return timezone(timedelta(hours=hours, minutes=minutes) * (-1 if text[0] == "-" else 1))
