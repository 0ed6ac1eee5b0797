"""How a visit was borne, in words: what is not recorded says so, and what may not be seen says so too."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date
from decimal import Decimal

from service.page import words
from service.records.tolerance import Agent, Event, Halted, Sign, Tolerance, ToleranceFile
from service.records.views import Quantity, exact

__all__ = ["EventRow", "Line", "SignRow", "ToleranceView", "marks_closed", "tolerance_view"]

NOT_RECORDED, NOT_SHOWN = "not recorded", "not shown to you"
_NOT_OPEN = "Your rights do not open {}: there may be more than is shown here."
_WITH = "with the visit, no time of its own"
_IN_WORDS = "recorded in words, not coded"
_UNITS = {"mm[Hg]": "mmHg", "Cel": "°C", "[degF]": "°F"}
"""UCUM units that people write otherwise."""
_PRESSURES = ("Systolic blood pressure", "Diastolic blood pressure")
_RELATION = {"before": "before the visit", "during": "during the visit", "after": "after the visit"}


@dataclass(frozen=True, slots=True)
class Line:
    """A name, what is told of it, and the resource (``Type/id``) that has more, empty for none."""

    name: str
    text: str
    reference: str = ""


@dataclass(frozen=True, slots=True)
class SignRow:
    """A vital sign, its value with the unit, and when."""

    name: str
    value: str
    when: str


@dataclass(frozen=True, slots=True)
class EventRow:
    """An adverse event in words; ``more`` says what its resource has besides."""

    what: str
    seriousness: str
    severity: str
    outcome: str
    day: str
    recorded: str
    more: str
    reference: str


@dataclass(frozen=True, slots=True)
class ToleranceView:
    """``cues`` are sentences for the top of the page; ``events`` has rows, or ``no_events`` says why not.

    ``closed`` are sentences on what the caller may not read.
    """

    cues: tuple[str, ...]
    lines: tuple[Line, ...]
    signs: tuple[SignRow, ...]
    events: tuple[EventRow, ...]
    no_events: str
    closed: tuple[str, ...]

    @property
    def timed(self) -> bool:
        """Whether any vital sign has a time of its own, so that each has to say so."""
        return any(row.when != _WITH for row in self.signs)


def tolerance_view(found: Tolerance) -> ToleranceView:
    """Word what was found."""
    return ToleranceView(
        cues=tuple(_cues(found)),
        lines=tuple(_lines(found)),
        signs=tuple(map(_sign, found.signs)),
        events=tuple(map(_event, found.events or ())),
        no_events=_no_events(found),
        closed=tuple(_closed(found)),
    )


def _cues(found: Tolerance) -> Iterator[str]:
    if what := dict.fromkeys(one.what.lower() or "the endoscopy" for one in found.halted):
        yield f"Stopped early: {'; '.join(what)}."
    happened = [one.what.lower() or "not coded" for one in found.events or () if one.happened]
    if went_wrong := dict.fromkeys((*found.seen, *happened)):
        yield f"Adverse event: {'; '.join(went_wrong)}."


def _lines(found: Tolerance) -> Iterator[Line]:
    yield Line("Endoscope in place", "; ".join(found.in_place) or NOT_RECORDED)
    yield from map(_halted, found.halted)
    yield from _given(found)
    yield Line(
        "Tolerance",
        "; ".join((*found.seen, *(("no adverse event",) if found.none_seen else ()))) or NOT_RECORDED,
    )


def _halted(one: Halted) -> Line:
    name = f"{one.what}: stopped, reason" if one.what else "Reason for stopping"
    told = one.reason.lower() or (_IN_WORDS if one.more else NOT_RECORDED)
    return Line(name, told, one.reference if one.more else "")


def _given(found: Tolerance) -> Iterator[Line]:
    name = "Anaesthetic or other agent"
    for one in found.agents or ():
        yield Line(name, _agent(one), one.reference)
    if not found.agents:
        said = {"yes": "given; which one is not recorded", "no": "none given, as recorded"}
        unsaid = NOT_RECORDED if found.agents is not None else NOT_SHOWN
        yield Line(name, "; ".join(said.get(one, one) for one in found.given) or unsaid)


def _agent(one: Agent) -> str:
    parts = [
        one.name or "name not recorded",
        amount(one.dose) if one.dose.value is not None else "dose not recorded",
    ]
    parts += [one.side] if one.side else []
    status = {"completed": "", "not-done": "not given"}.get(one.status, one.status.replace("-", " "))
    return ", ".join((*parts, *([status] if status else [])))


def amount(quantity: Quantity) -> str:
    """``104 /min``, as it was recorded."""
    if quantity.value is None:
        return NOT_RECORDED
    unit = _UNITS.get(quantity.code, quantity.code)
    return f"{quantity.comparator}{_digits(quantity.value)} {unit}".strip()


def _digits(number: Decimal) -> str:
    """All digits as recorded; those of 1E999999 would be a million."""
    return f"{number:f}" if exact(number) is not None else str(number)


def _sign(one: Sign) -> SignRow:
    return SignRow(one.name, _values(one), _when(one))


def _values(one: Sign) -> str:
    """``118/70 mmHg``, or each part with its name."""
    by_name = dict(one.values)
    if by_name.keys() == set(_PRESSURES):
        high, low = (by_name[name] for name in _PRESSURES)
        if high.value is not None and low.value is not None and high.code == low.code:
            return f"{high.comparator}{_digits(high.value)}/{amount(low)}"
    return "; ".join(f"{name.lower()} {amount(value)}".strip() for name, value in one.values)


def _when(one: Sign) -> str:
    if one.when == "with":
        return _WITH
    if one.day is None:
        return "time not recorded"
    told = f"{words.day(one.day)}, {one.at:%H:%M}" if one.at else f"{words.day(one.day)}, time not recorded"
    return ", ".join(filter(None, (told, _RELATION.get(one.when, ""))))


def _event(one: Event) -> EventRow:
    what = one.what or "not coded"
    return EventRow(
        what=what if one.happened else f"{what} (could have happened, did not)",
        seriousness=_told(one.seriousness),
        severity=_told(one.severity),
        outcome=_told(one.outcome),
        day=_day(one.day),
        recorded=_day(one.recorded),
        more="record, with notes" if one.more else "record",
        reference=one.reference,
    )


def _told(text: str) -> str:
    return text.lower() or NOT_RECORDED


def _day(day: date | None) -> str:
    return words.day(day)


def _no_events(found: Tolerance) -> str:
    """What is said where there is no adverse event to list."""
    if found.events:
        return ""
    if found.events is None and not found.none_seen and not found.seen:
        return NOT_SHOWN
    if found.seen:
        return f"{'; '.join(found.seen)}, seen with the endoscope; seriousness and outcome not recorded"
    return "no adverse event, as recorded" if found.none_seen else NOT_RECORDED


def _closed(found: Tolerance) -> Iterable[str]:
    agents = "what was given" if found.agents is None else ""
    return _not_open(found.events is not None, found.procedures_open, agents)


def marks_closed(file: ToleranceFile) -> tuple[str, ...]:
    """What is said beside the marks of visits where the caller may not read what they rest on."""
    return tuple(_not_open(file.events is not None, file.procedures is not None))


def _not_open(events: bool, procedures: bool, more: str = "") -> Iterator[str]:
    types = ("" if events else "adverse events", "" if procedures else "procedures", more)
    return (_NOT_OPEN.format(name) for name in types if name)
