"""How a visit was borne: the endoscope, what was given, vital signs, adverse events, what was stopped.

Codes alone are read, besides the name of what was given: notes and reasons in words may name others, and who
may see them finds them in the resource itself. What nobody recorded is None or empty, which is never "none".
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Literal, TypeVar
from zoneinfo import ZoneInfo

from service.records.seen import day_of, time_of
from service.records.views import Element, Encounter, Extended, Quantity, Reference
from service.records.worded import WordedConcept, WordedObservation

__all__ = [
    "CONDITIONS",
    "Administered",
    "Agent",
    "Event",
    "Halted",
    "Performed",
    "Reported",
    "Sign",
    "Tolerance",
    "ToleranceFile",
    "coded",
    "stopped",
    "tolerance",
    "went_wrong",
]

CONDITIONS = "endoscopy-conditions"
"""Own code of the Observation that tells of the endoscope."""
_NO_EVENT = "no-adverse-event"
_LOINC = "http://loinc.org"
_BODY_WEIGHT = "29463-7"
"""A vital sign by its category, told of among the scores."""
_SIGNS = {
    "8867-4": "Heart rate",
    "2708-6": "Oxygen saturation",
    "59408-5": "Oxygen saturation",
    "85354-9": "Blood pressure",
    "8480-6": "Systolic blood pressure",
    "8462-4": "Diastolic blood pressure",
}
"""What vital signs are called that come from elsewhere, by LOINC code (FHIR R4, vital signs profiles)."""
_SIDES = {f"Side: {side}": side for side in ("left", "right", "both")}
"""What a visit record's side without a dose is written as: a dosage needs a dose (mad-1)."""

F = TypeVar("F")
M = TypeVar("M")
When = Literal["before", "during", "after", "with", "day", ""]
"""Where a time lies: before, during, after the visit; that of the visit itself; a day; not recorded."""


class _Dosage(Element, frozen=True):
    """How much of something, and where."""

    dose: Quantity = Quantity()
    site: WordedConcept = WordedConcept()


class _Note(Element, frozen=True):
    text: str = ""


class Administered(Element, frozen=True):
    """A MedicationAdministration."""

    id: str = ""
    status: str = ""
    medication_codeable_concept: WordedConcept = WordedConcept()
    context: Reference = Reference()
    dosage: _Dosage = _Dosage()
    note: tuple[_Note, ...] = ()

    @property
    def side(self) -> str:
        """Where it was given: the site of the dosage, else what a visit record said without a dose."""
        noted = (_SIDES[one.text] for one in self.note if one.text in _SIDES)
        return coded(self.dosage.site).lower() or next(noted, "")

    @property
    def in_force(self) -> bool:
        """Whether it was not entered in error."""
        return self.status != "entered-in-error"

    @property
    def reference(self) -> str:
        """``MedicationAdministration/id``."""
        return f"MedicationAdministration/{self.id}"


class Reported(Extended, frozen=True):
    """An AdverseEvent."""

    id: str = ""
    actuality: str = ""
    event: WordedConcept = WordedConcept()
    encounter: Reference = Reference()
    date: str = ""
    recorded_date: str = ""
    seriousness: WordedConcept = WordedConcept()
    severity: WordedConcept = WordedConcept()
    outcome: WordedConcept = WordedConcept()

    @property
    def reference(self) -> str:
        """``AdverseEvent/id``."""
        return f"AdverseEvent/{self.id}"

    @property
    def happened(self) -> bool:
        """Whether it did, and was not only possible."""
        return self.actuality != "potential"


class Performed(Element, frozen=True):
    """A Procedure."""

    id: str = ""
    status: str = ""
    status_reason: WordedConcept = WordedConcept()
    code: WordedConcept = WordedConcept()
    encounter: Reference = Reference()

    @property
    def reference(self) -> str:
        """``Procedure/id``."""
        return f"Procedure/{self.id}"


@dataclass(frozen=True, slots=True)
class ToleranceFile:
    """What is on file of a person; None where the caller may not read it."""

    observations: Sequence[WordedObservation] = ()
    events: Sequence[Reported] | None = None
    agents: Sequence[Administered] | None = None
    procedures: Sequence[Performed] | None = None


@dataclass(frozen=True, slots=True)
class Agent:
    """Something given: its name, amount and side; ``status`` is R4's."""

    name: str
    dose: Quantity
    side: str
    status: str
    reference: str


@dataclass(frozen=True, slots=True)
class Sign:
    """A vital sign: one amount or several, each with its name; a single one needs none."""

    name: str
    values: tuple[tuple[str, Quantity], ...]
    when: When
    at: datetime | None
    day: date | None
    reference: str


@dataclass(frozen=True, slots=True)
class Event:
    """An adverse event; what is not coded is empty. ``more``: what was done or noted stands in words."""

    what: str
    happened: bool
    seriousness: str
    severity: str
    outcome: str
    day: date | None
    recorded: date | None
    more: bool
    reference: str


@dataclass(frozen=True, slots=True)
class Halted:
    """What was stopped: ``what`` is empty for the endoscopy. ``reason`` is coded; ``more``: in words."""

    what: str
    reason: str
    more: bool
    reference: str


@dataclass(frozen=True, slots=True)
class Tolerance:
    """How one visit was borne. ``in_place``, ``given`` and ``seen`` are the answers, in words.

    ``none_seen``: that nothing went wrong was recorded. None where the caller may not read it.
    """

    in_place: tuple[str, ...]
    given: tuple[str, ...]
    seen: tuple[str, ...]
    none_seen: bool
    halted: tuple[Halted, ...]
    signs: tuple[Sign, ...]
    agents: tuple[Agent, ...] | None
    events: tuple[Event, ...] | None
    procedures_open: bool = True


def coded(concept: WordedConcept) -> str:
    """What its last code means, own codes coming last; empty for words alone, whoever wrote them."""
    last = concept.coding[-1] if concept.coding else None
    return (last.display or last.code) if last else ""


def tolerance(file: ToleranceFile, encounter: Encounter, zone: ZoneInfo) -> Tolerance:
    """What is on file of one visit; ``zone`` is the site's."""
    visit = encounter.reference
    own = [one for one in file.observations if one.in_force and one.encounter.target == visit]
    conditions = [one for one in own if one.own == CONDITIONS]
    seen = list(_answers(conditions, "adverse-event-seen"))
    procedures = [one for one in file.procedures or () if one.encounter.target == visit]
    return Tolerance(
        in_place=_words(_answers(conditions, "endoscope-in-place")),
        given=_words(_answers(conditions, "anaesthetic-given")),
        seen=_words(one for one in seen if one.own != _NO_EVENT),
        none_seen=any(one.own == _NO_EVENT for one in seen),
        halted=(*_halted_views(conditions), *_halted_procedures(procedures)),
        signs=_signs(own, encounter, zone),
        agents=_of(file.agents, lambda one: one.context.target == visit and one.in_force, _agent),
        events=_of(file.events, lambda one: one.encounter.target == visit, lambda one: _event(one, zone)),
        procedures_open=file.procedures is not None,
    )


def _of(
    found: Iterable[F] | None, wanted: Callable[[F], bool], made: Callable[[F], M]
) -> tuple[M, ...] | None:
    """What is wanted of what was found; None where nobody may look."""
    return None if found is None else tuple(made(one) for one in found if wanted(one))


def _answers(conditions: Iterable[WordedObservation], code: str) -> Iterator[WordedConcept]:
    for one in conditions:
        yield from (part.value_codeable_concept for part in one.component if part.own == code)


def _words(answers: Iterable[WordedConcept]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(said.lower() for one in answers if (said := coded(one))))


def stopped(conditions: WordedObservation) -> bool:
    """Whether the endoscope came out early."""
    return conditions.part("endoscope-in-place").answer == "stopped-early"


def went_wrong(conditions: WordedObservation) -> bool:
    """Whether an adverse event was seen with the endoscope."""
    return any(one.coding and one.own != _NO_EVENT for one in _answers((conditions,), "adverse-event-seen"))


def _halted_views(conditions: Iterable[WordedObservation]) -> Iterator[Halted]:
    for one in conditions:
        if stopped(one):
            why = one.part("reason-not-rated")
            more = bool(why.value_string or why.value_codeable_concept.text)
            yield Halted("", coded(why.value_codeable_concept), more, one.reference)


def _halted_procedures(procedures: Iterable[Performed]) -> Iterator[Halted]:
    for one in procedures:
        if one.status == "stopped":
            why = one.status_reason
            yield Halted(coded(one.code) or "procedure", coded(why), bool(why.text), one.reference)


def _agent(one: Administered) -> Agent:
    return Agent(
        name=one.medication_codeable_concept.words,
        dose=one.dosage.dose,
        side=one.side,
        status=one.status,
        reference=one.reference,
    )


def _event(one: Reported, zone: ZoneInfo) -> Event:
    return Event(
        what=coded(one.event),
        happened=one.happened,
        seriousness=coded(one.seriousness),
        severity=coded(one.severity),
        outcome=coded(one.outcome),
        day=day_of(one.date, zone),
        recorded=day_of(one.recorded_date, zone),
        more=any(one.extended(name).value_string for name in ("adverse-event-action", "adverse-event-note")),
        reference=one.reference,
    )


def _is_sign(one: WordedObservation) -> bool:
    return "vital-signs" in one.categories and one.code.of(_LOINC) != _BODY_WEIGHT


def _signs(observed: Iterable[WordedObservation], encounter: Encounter, zone: ZoneInfo) -> tuple[Sign, ...]:
    """By name, those of one name in the order of their times."""
    found = (_sign(one, encounter, zone) for one in observed if _is_sign(one))
    return tuple(
        sorted(found, key=lambda one: (one.name, one.at.timestamp() if one.at else 0, one.reference))
    )


def _sign(one: WordedObservation, encounter: Encounter, zone: ZoneInfo) -> Sign:
    time = time_of(one.effective, zone)
    parts = [(_sign_name(part.code), part.value_quantity) for part in one.component]
    own = [("", one.value_quantity)] if one.value_quantity.value is not None or not parts else []
    return Sign(
        name=_sign_name(one.code) or "vital sign",
        values=(*own, *parts),
        when=_when(one.effective, encounter, zone),
        at=time[1].astimezone(zone) if time and "T" in one.effective else None,
        day=time[0] if time else None,
        reference=one.reference,
    )


def _sign_name(code: WordedConcept) -> str:
    return _SIGNS.get(code.of(_LOINC), "") or coded(code)


def _when(effective: str, encounter: Encounter, zone: ZoneInfo) -> When:
    """Where a time lies beside those of the visit, as far as they say so."""
    time = time_of(effective, zone)
    begin, end = (time_of(one, zone) for one in (encounter.period.start, encounter.period.end))
    if time is None:
        return ""
    if "T" not in effective or begin is None:
        return "day"
    if time[1] <= begin[1]:
        return "with" if time[1] == begin[1] else "before"
    if end is None:
        return "day"
    return "during" if time[1] <= end[1] else "after"
