"""FHIR dates and times as v2 has them (TS, DT), and back; to the precision that was given, zones kept."""

import re
from datetime import datetime
from zoneinfo import ZoneInfo

__all__ = ["fhir_time", "time_stamp"]

_FHIR = re.compile(
    r"(\d{4})(?:-(\d\d)(?:-(\d\d)(?:T(\d\d):(\d\d)(?::(\d\d)(?:\.(\d+))?)?(Z|[+-]\d\d:\d\d)?)?)?)?", re.ASCII
)
_V2 = re.compile(
    r"(\d{4})(?:(\d\d)(?:(\d\d)(?:(\d\d)(?:(\d\d)(?:(\d\d)(?:\.(\d{1,4}))?)?)?)?)?)?([+-]\d{4})?", re.ASCII
)


def time_stamp(text: str) -> str:
    """Answer ``20260204103000+0100`` for ``2026-02-04T10:30:00+01:00``; empty for what is no date."""
    found = _FHIR.fullmatch(text)
    if not found:
        return ""
    *digits, fraction, zone = found.groups()
    said = "".join(part for part in digits if part)
    said += f".{fraction[:4]}" if fraction and fraction.strip("0") else ""
    return said + ("+0000" if zone == "Z" else (zone or "").replace(":", ""))


def fhir_time(text: str, zone: ZoneInfo) -> str:
    """Answer a v2 time as FHIR dateTime text; one without an offset is read in ``zone``.

    ValueError for what is no time, or none that exists.
    """
    found = _V2.fullmatch(text)
    if not found:
        raise ValueError("not a time")
    year, month, day, hour, minute, second, fraction, offset = found.groups()
    if hour is None:
        datetime(int(year), int(month or 1), int(day or 1), tzinfo=zone)
        return "-".join(part for part in (year, month, day) if part)
    whole = f"{year}-{month}-{day}T{hour}:{minute or '00'}:{second or '00'}"
    whole += f".{fraction}" if fraction else ""
    moment = datetime.fromisoformat(whole + (f"{offset[:3]}:{offset[3:]}" if offset else ""))
    return moment.isoformat() if offset else moment.replace(tzinfo=zone).isoformat()
