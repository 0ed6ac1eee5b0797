"""What the banner and the lists tell of a person, read from stored FHIR resources as of a day.

Days are those of the site's time zone, as in the computed answer. A resource entered in error tells nothing.
"""

from collections.abc import Iterable
from datetime import date
from zoneinfo import ZoneInfo

from service.page import words
from service.page.view_model import Banner
from service.records.screened import Screened
from service.records.seen import day_of, time_of
from service.records.stored import Resource
from service.records.views import Encounter
from service.records.worded import WordedComponent, WordedCondition, WordedObservation

__all__ = [
    "FACTS",
    "Known",
    "age",
    "answer",
    "banner",
    "born",
    "encounters_by_day",
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

_DID_NOT_TAKE_PLACE = {"planned", "cancelled", "entered-in-error"}
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


def visit_days(encounters: Iterable[Encounter], zone: ZoneInfo) -> list[date]:
    """The days of the visits that took place, in order."""
    took_place = (one for one in encounters if one.status not in _DID_NOT_TAKE_PLACE)
    days = (day_of(one.period.start, zone) for one in took_place)
    return sorted({day for day in days if day is not None})


def encounters_by_day(encounters: Iterable[Encounter], zone: ZoneInfo) -> dict[date, str]:
    """Ids of the visits that took place, by day; of several on one day the first."""
    found: dict[date, str] = {}
    for one in sorted(encounters, key=lambda one: one.period.start):
        day = day_of(one.period.start, zone)
        if day is not None and one.status not in _DID_NOT_TAKE_PLACE:
            found.setdefault(day, one.id)
    return found


def last_visit(encounters: Iterable[Encounter], day: date, zone: ZoneInfo) -> date | None:
    """The day of the newest visit that took place not after ``day``."""
    return max((one for one in visit_days(encounters, zone) if one <= day), default=None)


def banner(
    patient: Resource,
    conditions: Iterable[WordedCondition],
    encounters: Iterable[Encounter],
    known: "Known",
    screen: Screened | None = None,
) -> Banner:
    """What to know before reading further, as of the day of ``known``; ``screen`` is the newest by then."""
    day, zone = known.as_of, known.zone
    visit = last_visit(encounters, day, zone)
    asked = visit is not None and known.day("red-flag-checklist") == visit
    return Banner(
        name=name(patient),
        born=born(patient),
        age=age(patient, day),
        conditions=tuple(dict.fromkeys(one.code.words for one in conditions if _holds(one, day, zone))),
        clearance=_clearance(known),
        effort_limit=answer(known.newest("breath-hold-clearance").part("effort-limit")),
        screen=_screen(screen),
        red_flags=_flags(known.newest("red-flag-checklist")) if asked else None,
        oral_intake=known.newest("oral-intake-7").whole,
        oral_intake_day=known.day("oral-intake-7"),
        diet=_diet(known),
        last_visit=visit,
        days_since_visit=(day - visit).days if visit else None,
        invented=invented(patient),
    )


class Known:
    """The newest Observation of each code, not after ``as_of``; ``zone`` says on which day a time lies."""

    def __init__(self, observations: Iterable[WordedObservation], as_of: date, zone: ZoneInfo) -> None:
        """Sort out what counts; of several the one that holds for the latest moment is the newest."""
        self.as_of, self.zone = as_of, zone
        timed = [
            (time, one) for one in observations if one.in_force and (time := time_of(one.effective, zone))
        ]
        timed = sorted((pair for pair in timed if pair[0][0] <= as_of), key=lambda pair: pair[0][1])
        self._newest = {one.code.own: (time[0], one) for time, one in timed}

    def newest(self, code: str) -> WordedObservation:
        """The Observation; an empty one if there is none."""
        return self._newest[code][1] if code in self._newest else WordedObservation()

    def day(self, code: str) -> date | None:
        """The day the Observation holds for."""
        return self._newest[code][0] if code in self._newest else None


def answer(element: WordedObservation | WordedComponent) -> str:
    """The answer of an Observation or component in words; empty without one."""
    return element.value_codeable_concept.words.lower()


def _clearance(known: Known) -> str:
    decision = answer(known.newest("breath-hold-clearance"))
    return f"{decision} ({words.day(known.day('breath-hold-clearance'))})" if decision else ""


def _screen(found: Screened | None) -> str:
    if found is None:
        return ""
    yes = "; ".join(found.yes) or "no item of the list"
    unknown = f"; unknown: {'; '.join(found.unknown)}" if found.unknown else ""
    return f"Safety screen of {words.day(found.day)}, answered yes: {yes}{unknown}"


def _flags(checklist: WordedObservation) -> tuple[str, ...]:
    return tuple(one.code.words.lower() for one in checklist.component if one.answer == "yes")


def _diet(known: Known) -> str:
    """Drinks and food by level and the standard's own label, and a tube if there is one."""
    parts = [
        f"{words_} {_iddsi(known.newest(code))}"
        for code, words_ in (("liquid-level", "drinks"), ("food-level", "food"))
        if known.day(code)
    ]
    if tube := answer(known.newest("tube-in-use")):
        parts.append("feeding tube in use" if tube == "yes" else "no feeding tube")
    return "; ".join(parts)


def _iddsi(observation: WordedObservation) -> str:
    number = observation.answer.removeprefix("iddsi-")
    return f"level {number} ({observation.value_codeable_concept.words})"


def _holds(condition: WordedCondition, day: date, zone: ZoneInfo) -> bool:
    """Whether a condition is neither refuted nor past, and was not first recorded after ``day``."""
    codings = (*condition.clinical_status.coding, *condition.verification_status.coding)
    recorded = day_of(condition.recorded_date, zone)
    return _PAST.isdisjoint(coding.code for coding in codings) and (recorded is None or recorded <= day)
