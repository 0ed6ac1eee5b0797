"""What the banner and the lists tell of a person, read from stored FHIR resources as of a day.

Every function takes parsed resources (plain JSON) and looks for this project's own codes, which every
authored resource carries beside the standard ones. A resource entered in error tells nothing.
"""

from collections.abc import Iterable, Mapping
from datetime import date
from typing import Any

from service.fhir.canonical import code_system
from service.page.view_model import Banner
from service.page.words import day as day_in_words

__all__ = ["FACTS", "age", "banner", "born", "component", "invented", "last_visit", "name"]

FACTS = (
    "red-flag-checklist",
    "breath-hold-clearance",
    "oral-intake-7",
    "liquid-level",
    "food-level",
    "tube-in-use",
)
"""Local codes of the Observations the banner reads."""

Resource = Mapping[str, Any]
_OBSERVATION = code_system("swallow-observation")
_VALUE = code_system("swallow-value")
_VOID = {"entered-in-error", "cancelled"}


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


def last_visit(encounters: Iterable[Resource], day: date) -> date | None:
    """The day of the newest visit not after ``day``."""
    days = [_day(one.get("period", {}).get("start")) for one in encounters if one.get("status") not in _VOID]
    return max((one for one in days if one is not None and one <= day), default=None)


def banner(
    patient: Resource,
    conditions: Iterable[Resource],
    encounters: Iterable[Resource],
    facts: Iterable[Resource],
    day: date,
) -> Banner:
    """What to know before reading further, as of ``day``."""
    visit = last_visit(encounters, day)
    newest = _newest(facts, day)
    flags, clearance, intake = (newest.get(code) for code in FACTS[:3])
    return Banner(
        name=name(patient),
        born=born(patient),
        age=age(patient, day),
        conditions=tuple(_text(one.get("code")) for one in conditions if _holds(one, day)),
        clearance=_clearance(clearance),
        effort_limit=component(clearance, "effort-limit") if clearance else "",
        red_flags=_flags(flags) if flags and _effective(flags) == visit else None,
        oral_intake=intake.get("valueInteger") if intake else None,
        oral_intake_day=_effective(intake) if intake else None,
        diet=_diet(newest),
        last_visit=visit,
        days_since_visit=(day - visit).days if visit else None,
        invented=invented(patient),
    )


def component(observation: Resource, code: str) -> str:
    """The answer, as text, of an Observation's component with this local code; empty without one."""
    found = (one for one in observation.get("component", ()) if _has(one.get("code"), code))
    return next((_text(one.get("valueCodeableConcept")) for one in found), "").lower()


def _clearance(decision: Resource | None) -> str:
    if decision is None:
        return ""
    when = _effective(decision)
    words = _text(decision.get("valueCodeableConcept")).lower()
    return f"{words} ({day_in_words(when)})" if when else words


def _flags(checklist: Resource) -> tuple[str, ...]:
    yes = (one for one in checklist.get("component", ()) if _says_yes(one.get("valueCodeableConcept")))
    return tuple(_text(one.get("code")) for one in yes)


def _diet(newest: Mapping[str, Resource]) -> str:
    """Drinks, food and tube in words."""
    parts = {"liquid-level": "drinks", "food-level": "food", "tube-in-use": "feeding tube"}
    said = ((words, newest[code]) for code, words in parts.items() if code in newest)
    return "; ".join(f"{words}: {_answer(one)}" for words, one in said)


def _answer(observation: Resource) -> str:
    if "valueInteger" in observation:
        return f"level {observation['valueInteger']}"
    if "valueBoolean" in observation:
        return "yes" if observation["valueBoolean"] else "no"
    return _text(observation.get("valueCodeableConcept")).lower() or "not recorded"


def _newest(observations: Iterable[Resource], day: date) -> dict[str, Resource]:
    """The newest Observation of each code, not after ``day``."""
    found: dict[str, Resource] = {}
    dated = [(when, one) for one in observations if (when := _effective(one)) and when <= day]
    for _, one in sorted(dated, key=lambda pair: pair[0]):
        if one.get("status") not in _VOID:
            found |= {code: one for code in FACTS if _has(one.get("code"), code)}
    return found


def _holds(condition: Resource, day: date) -> bool:
    """Whether a condition is neither refuted nor resolved, and was not first recorded after ``day``."""
    states = {
        coding.get("code")
        for member in ("clinicalStatus", "verificationStatus")
        for coding in condition.get(member, {}).get("coding", ())
    }
    recorded = _day(condition.get("recordedDate"))
    return not states & {"entered-in-error", "refuted", "resolved"} and (recorded is None or recorded <= day)


def _effective(observation: Resource) -> date | None:
    period = observation.get("effectivePeriod", {})
    return _day(observation.get("effectiveDateTime") or period.get("end") or period.get("start"))


def _day(text: str | None) -> date | None:
    """The calendar day a dateTime was written with; None for a bare year or month."""
    try:
        return date.fromisoformat((text or "")[:10])
    except ValueError:
        return None


def _has(concept: Mapping[str, Any] | None, code: str) -> bool:
    codings = (concept or {}).get("coding", ())
    return any(one.get("system") == _OBSERVATION and one.get("code") == code for one in codings)


def _says_yes(concept: Mapping[str, Any] | None) -> bool:
    codings = (concept or {}).get("coding", ())
    return any(one.get("system") == _VALUE and one.get("code") == "yes" for one in codings)


def _text(concept: Mapping[str, Any] | None) -> str:
    """A concept in words: its text, else its last (local) coding's display or code."""
    concept = concept or {}
    last = (concept.get("coding") or [{}])[-1]
    return str(concept.get("text") or last.get("display") or last.get("code") or "")
