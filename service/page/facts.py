"""What the banner and the lists tell of a person, read from stored FHIR resources as of a day.

Days are those of the site's time zone, as in the computed answer. A resource entered in error tells nothing.
"""

from collections.abc import Iterable
from datetime import date
from typing import Any
from zoneinfo import ZoneInfo

from service.page import words
from service.page.view_model import Banner
from service.records.stored import Resource, code_of, component, in_force, time_of, value_code, whole

__all__ = [
    "FACTS",
    "Known",
    "age",
    "answer",
    "banner",
    "born",
    "invented",
    "last_visit",
    "name",
    "visit_days",
]

FACTS = (
    "red-flag-checklist",
    "breath-hold-clearance",
    "oral-intake-7",
    "liquid-level",
    "food-level",
    "tube-in-use",
)
"""Own codes of the Observations the banner reads."""

_PAST = {"entered-in-error", "refuted", "resolved", "inactive", "remission"}


def name(patient: Resource) -> str:
    """A person's usual or official name as one line."""
    names = patient.get("name") or [{}]
    best = next((one for one in names if one.get("use") in ("usual", "official")), names[0])
    parts = [*best.get("given", ()), best.get("family", "")]
    return best.get("text") or " ".join(part for part in parts if part) or "Name not recorded"


def born(patient: Resource) -> str:
    """The birth year."""
    return str(patient.get("birthDate", ""))[:4]


def age(patient: Resource, day: date) -> int | None:
    """Whole years on ``day``; None unless the whole date of birth is recorded and not later."""
    try:
        birth = date.fromisoformat(patient.get("birthDate", ""))
    except ValueError:
        return None
    years = day.year - birth.year - ((day.month, day.day) < (birth.month, birth.day))
    return years if years >= 0 else None


def invented(resource: Resource) -> bool:
    """Whether it is labelled as test data."""
    labels = resource.get("meta", {}).get("security", ())
    return any(label.get("code") == "HTEST" for label in labels)


def visit_days(encounters: Iterable[Resource], zone: ZoneInfo) -> list[date]:
    """The days of the visits that took place, in order."""
    took_place = (
        one for one in encounters if in_force(one) and one.get("status") not in ("planned", "cancelled")
    )
    days = (_day(one.get("period", {}).get("start"), zone) for one in took_place)
    return sorted({day for day in days if day is not None})


def last_visit(encounters: Iterable[Resource], day: date, zone: ZoneInfo) -> date | None:
    """The day of the newest visit that took place not after ``day``."""
    return max((one for one in visit_days(encounters, zone) if one <= day), default=None)


def banner(
    patient: Resource, conditions: Iterable[Resource], encounters: Iterable[Resource], known: "Known"
) -> Banner:
    """What to know before reading further, as of the day of ``known``."""
    day, zone = known.as_of, known.zone
    visit = last_visit(encounters, day, zone)
    limit = component(known.newest("breath-hold-clearance"), "effort-limit")
    asked = visit is not None and known.day("red-flag-checklist") == visit
    return Banner(
        name=name(patient),
        born=born(patient),
        age=age(patient, day),
        conditions=tuple(
            dict.fromkeys(_text(one.get("code")) for one in conditions if _holds(one, day, zone))
        ),
        clearance=_clearance(known),
        effort_limit=answer(limit),
        red_flags=_flags(known.newest("red-flag-checklist")) if asked else None,
        oral_intake=whole(known.newest("oral-intake-7")),
        oral_intake_day=known.day("oral-intake-7"),
        diet=_diet(known),
        last_visit=visit,
        days_since_visit=(day - visit).days if visit else None,
        invented=invented(patient),
    )


class Known:
    """The newest Observation of each code, not after ``as_of``; ``zone`` says on which day a time lies."""

    def __init__(self, observations: Iterable[Resource], as_of: date, zone: ZoneInfo) -> None:
        """Sort out what counts; of several the one that holds for the latest moment is the newest."""
        self.as_of, self.zone = as_of, zone
        timed = [(time, one) for one in observations if in_force(one) and (time := time_of(one, zone))]
        timed = sorted((pair for pair in timed if pair[0][0] <= as_of), key=lambda pair: pair[0][1])
        self._newest = {code_of(one.get("code")): (time[0], one) for time, one in timed}

    def newest(self, code: str) -> Resource:
        """The Observation; empty if there is none."""
        return self._newest[code][1] if code in self._newest else {}

    def day(self, code: str) -> date | None:
        """The day the Observation holds for."""
        return self._newest[code][0] if code in self._newest else None


def answer(element: Resource) -> str:
    """The answer of an Observation or component in words; empty without one."""
    return _text(element.get("valueCodeableConcept")).lower()


def _clearance(known: Known) -> str:
    decision = answer(known.newest("breath-hold-clearance"))
    return f"{decision} ({words.day(known.day('breath-hold-clearance'))})" if decision else ""


def _flags(checklist: Resource) -> tuple[str, ...]:
    return tuple(
        _text(one.get("code")).lower() for one in checklist.get("component", ()) if value_code(one) == "yes"
    )


def _diet(known: Known) -> str:
    """Drinks and food by level and the standard's own label, and a tube if there is one."""
    parts = [
        f"{words_} {_iddsi(known.newest(code))}"
        for code, words_ in (("liquid-level", "drinks"), ("food-level", "food"))
        if known.newest(code)
    ]
    if tube := answer(known.newest("tube-in-use")):
        parts.append("feeding tube in use" if tube == "yes" else "no feeding tube")
    return "; ".join(parts)


def _iddsi(observation: Resource) -> str:
    number = value_code(observation).removeprefix("iddsi-")
    return f"level {number} ({_text(observation.get('valueCodeableConcept'))})"


def _holds(condition: Resource, day: date, zone: ZoneInfo) -> bool:
    """Whether a condition is neither refuted nor past, and was not first recorded after ``day``."""
    states = {
        coding.get("code")
        for member in ("clinicalStatus", "verificationStatus")
        for coding in condition.get(member, {}).get("coding", ())
    }
    recorded = _day(condition.get("recordedDate"), zone)
    return not states & _PAST and (recorded is None or recorded <= day)


def _day(text: str | None, zone: ZoneInfo) -> date | None:
    """The day a dateTime lies on; None for a bare year or month."""
    time = time_of({"effectiveDateTime": text or ""}, zone)
    return time[0] if time else None


def _text(concept: Any) -> str:
    """A concept in words: its text, else its last coding's display or code (the own coding comes last)."""
    concept = concept or {}
    last = (concept.get("coding") or [{}])[-1]
    return str(concept.get("text") or last.get("display") or last.get("code") or "")
