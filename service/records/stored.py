"""Looking into stored FHIR resources by the project's own codes, without trusting that anything is there."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from fractions import Fraction
from functools import lru_cache
from typing import Any
from zoneinfo import ZoneInfo

from service.fhir.canonical import extension
from service.fhir.datetimes import interval
from service.fhir.references import local_target
from service.terminology.codes import EXERCISE, OBSERVATION, VALUE

__all__ = [
    "Resource",
    "Seen",
    "code_of",
    "component",
    "day_of",
    "exact",
    "extensions",
    "in_force",
    "number",
    "reference_to",
    "seen",
    "time_of",
    "value_code",
    "whole",
]

Resource = dict[str, Any]
"""A parsed FHIR resource or element."""

_OWN = (OBSERVATION, VALUE, EXERCISE)
_MOST_DIGITS = 12
_VOID = {"entered-in-error", "cancelled"}


@dataclass(frozen=True, slots=True)
class Seen:
    """An Observation with what is looked up often: own code, day, moment, components by own code."""

    resource: Resource
    code: str
    day: date
    moment: datetime
    parts: Mapping[str, Resource]

    @property
    def reference(self) -> str:
        """``Observation/id``."""
        return reference_to(self.resource)

    @property
    def focus(self) -> str:
        """``Type/id`` of what the Observation is about, else empty."""
        return next((local_target(one.get("reference", "")) for one in self.resource.get("focus", ())), "")

    def part(self, code: str) -> Resource:
        """The first component with this own code; empty if there is none."""
        return self.parts.get(code, {})


def in_force(resource: Resource) -> bool:
    """Whether a resource counts: not entered in error, an Observation not cancelled."""
    void = _VOID if resource["resourceType"] == "Observation" else {"entered-in-error"}
    return resource.get("status") not in void and resource.get("lifecycleStatus") != "entered-in-error"


def reference_to(resource: Resource) -> str:
    """``Type/id`` of a stored resource."""
    return f"{resource['resourceType']}/{resource['id']}"


def code_of(concept: Any, *systems: str) -> str:
    """The first code of a CodeableConcept in one of ``systems`` (default: the project's own), else empty."""
    for coding in (concept or {}).get("coding", ()):
        if coding.get("system") in (systems or _OWN):
            return str(coding.get("code", ""))
    return ""


def component(observation: Resource, code: str) -> Resource:
    """The first component with this own code; empty if there is none."""
    return next((part for part in observation.get("component", ()) if code_of(part.get("code")) == code), {})


def value_code(element: Resource, *systems: str) -> str:
    """The code of ``valueCodeableConcept``, else empty."""
    return code_of(element.get("valueCodeableConcept"), *systems)


def exact(value: object) -> Fraction | None:
    """A JSON number exactly; None for anything else, and for sizes no measurement has.

    The bound keeps a number such as 1E999999 from becoming a million digits.
    """
    if not isinstance(value, int | Decimal) or isinstance(value, bool):
        return None
    shape = Decimal(value)
    if not shape.is_finite() or shape.adjusted() > _MOST_DIGITS or _exponent(shape) < -_MOST_DIGITS:
        return None
    return Fraction(value)


def number(element: Resource, unit: str = "") -> Fraction | None:
    """``valueQuantity`` (in ``unit``, a UCUM code, if given) or ``valueInteger``, exactly."""
    if "valueInteger" in element:
        return exact(element["valueInteger"])
    quantity = element.get("valueQuantity", {})
    return None if unit and quantity.get("code") != unit else exact(quantity.get("value"))


def whole(element: Resource) -> int | None:
    """A whole number; None for none, or one with a fraction."""
    value = number(element)
    return int(value) if value is not None and value.denominator == 1 else None


def extensions(element: Resource, name: str) -> Iterator[Resource]:
    """The element's extensions of the project with this name."""
    url = extension(name)
    return (part for part in element.get("extension", ()) if part.get("url") == url)


def day_of(text: str, zone: ZoneInfo) -> date | None:
    """The day on which a FHIR date or time lies in the site's zone; None if it does not say to the day."""
    time = _time(text, zone)
    return time[0] if time else None


def time_of(observation: Resource, zone: ZoneInfo) -> tuple[date, datetime] | None:
    """Day (in the site's zone) and moment an Observation holds for; None if it does not say to the day."""
    period = observation.get("effectivePeriod", {}).get("start")
    return _time(
        observation.get("effectiveDateTime") or period or observation.get("effectiveInstant", ""), zone
    )


def seen(observation: Resource, zone: ZoneInfo) -> Seen | None:
    """Take an Observation apart; None if it does not say to the day when it holds. ``zone`` is the site's."""
    time = time_of(observation, zone)
    if time is None:
        return None
    parts = {code_of(part.get("code")): part for part in reversed(observation.get("component", ()))}
    return Seen(observation, code_of(observation["code"]), *time, parts)


@lru_cache(maxsize=4096)  # the many parts of one visit share its time
def _time(text: str, zone: ZoneInfo) -> tuple[date, datetime] | None:
    if len(text) < len("2026-02-04"):
        return None
    try:
        moment = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(milliseconds=interval(text, zone)[0])
        return moment.astimezone(zone).date(), moment
    except (ValueError, OverflowError):  # at the ends of the calendar
        return None


def _exponent(value: Decimal) -> int:
    exponent = value.as_tuple().exponent
    return exponent if isinstance(exponent, int) else 0
