"""Observations with what is looked up often: own code, day and moment."""

from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo

from msgspec import Struct

from service.fhir.datetimes import interval
from service.records.views import Component, Observation

__all__ = ["Seen", "day_of", "seen", "time_of"]

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


class Seen(Struct, frozen=True, gc=False):
    """An Observation that says to the day when it holds."""

    observation: Observation
    code: str
    day: date
    moment: datetime

    @property
    def reference(self) -> str:
        """``Observation/id``."""
        return f"Observation/{self.observation.id}"

    @property
    def focus(self) -> str:
        """``Type/id`` of what the Observation is about, else empty."""
        focus = self.observation.focus
        return focus[0].target if focus else ""

    def part(self, code: str) -> Component:
        """The first component with this own code; empty if there is none."""
        return self.observation.part(code)


def seen(observation: Observation, zone: ZoneInfo) -> Seen | None:
    """Look at an Observation; None if it does not say to the day when it holds. ``zone`` is the site's."""
    time = time_of(observation.effective, zone)
    return Seen(observation, observation.own, *time) if time else None


def day_of(text: str, zone: ZoneInfo) -> date | None:
    """The day on which a FHIR date or time lies in the site's zone; None if it does not say to the day."""
    time = time_of(text, zone)
    return time[0] if time else None


@lru_cache(maxsize=4096)  # the many parts of one visit share its time
def time_of(text: str, zone: ZoneInfo) -> tuple[date, datetime] | None:
    """The day (in the site's zone) and moment at which a FHIR date or time begins; None as in ``day_of``."""
    if len(text) < len("2026-02-04"):
        return None
    try:
        moment = _EPOCH + timedelta(milliseconds=interval(text, zone)[0])
        return moment.astimezone(zone).date(), moment
    except (ValueError, OverflowError):  # at the ends of the calendar
        return None
