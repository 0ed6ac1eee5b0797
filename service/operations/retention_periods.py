"""When what is kept has been kept long enough: pure rules over the site's periods."""

from dataclasses import dataclass
from datetime import date, timedelta

from service.errors import InvalidInput
from service.settings import Settings

__all__ = ["DAY_MS", "Periods", "check_clock", "is_due", "latest_birthday"]

DAY_MS = 86_400_000
_BACK = timedelta(days=1)
_AHEAD = timedelta(days=366)


@dataclass(frozen=True, slots=True)
class Periods:
    """The site's periods in days, 0 for ever: see the settings ``SWALLOW_RETENTION_…``."""

    person: int
    minor_age: int
    deleted: int
    superseded: int
    audit: int

    @classmethod
    def of(cls, settings: Settings) -> "Periods":
        """The periods of the settings."""
        return cls(
            settings.retention_person_days,
            settings.retention_minor_age,
            settings.retention_deleted_days,
            settings.retention_superseded_days,
            settings.retention_audit_days,
        )


def is_due(last_contact: date, birth: str, today: date, periods: Periods) -> bool:
    """Whether a person has been kept long enough.

    ``birth`` is Patient.birthDate, which may be a year or a month: the latest day it can mean counts. Of whom
    it is not known nobody can say that they are of age.
    """
    if not periods.person or today < last_contact + timedelta(days=periods.person):
        return False
    if not periods.minor_age:
        return True
    born = latest_birthday(birth)
    return born is not None and (born.year + periods.minor_age, born.month, born.day) <= (
        today.year,
        today.month,
        today.day,
    )


def latest_birthday(birth: str) -> date | None:
    """The latest day that a birthDate (``1958``, ``1958-06``, ``1958-06-02``) can mean; None for none."""
    parts = [int(part) for part in birth.split("-")] if birth else []
    match parts:
        case [year]:
            return date(year, 12, 31)
        case [year, month]:
            return date(year + month // 12, month % 12 + 1, 1) - timedelta(days=1)
        case [year, month, day]:
            return date(year, month, day)
    return None


def check_clock(today: date, newest: date | None, confirmed: date | None) -> None:
    """InvalidInput if the clock can't be right, so that nothing may be aged out by it.

    ``newest`` is the day of the newest thing on record; ``confirmed`` the day that the operator says it is.
    """
    if confirmed is not None and confirmed != today:
        raise InvalidInput(f"This machine's clock says {today}, not {confirmed}; nothing was taken away.")
    if newest is None:
        return
    if today < newest - _BACK:
        raise InvalidInput(
            f"This machine's clock says {today}, but something was recorded on {newest}: the clock stepped "
            "back. Set it right; nothing was taken away."
        )
    if confirmed is None and today > newest + _AHEAD:
        raise InvalidInput(
            f"This machine's clock says {today}, but nothing was recorded after {newest}. If the clock is "
            f"right, say so by --today {today}; nothing was taken away."
        )
