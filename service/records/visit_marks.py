"""The visits at which something went wrong or was stopped, and adverse events that name no visit."""

from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date
from zoneinfo import ZoneInfo

from service.records.seen import day_of
from service.records.tolerance import CONDITIONS, ToleranceFile, stopped, went_wrong
from service.records.views import Encounter

__all__ = ["ADVERSE_EVENT", "STOPPED", "VisitMark", "visit_marks"]

ADVERSE_EVENT, STOPPED = "adverse event", "stopped early"


@dataclass(frozen=True, slots=True)
class VisitMark:
    """A visit (an id) of a day and what happened there; an event of no visit has a ``reference`` instead."""

    day: date | None
    words: tuple[str, ...]
    encounter: str = ""
    reference: str = ""


def visit_marks(
    file: ToleranceFile, encounters: Iterable[Encounter], zone: ZoneInfo, as_of: date
) -> tuple[VisitMark, ...]:
    """Every mark up to a day, in order; ``zone`` is the site's."""
    visits = {one.reference: one for one in encounters if one.in_force}
    words: dict[str, set[str]] = defaultdict(set)
    for visit, word in _happened(file):
        words[visit].add(word)
    marks = [
        VisitMark(day_of(one.period.start, zone), tuple(sorted(words[visit])), encounter=one.id)
        for visit, one in visits.items()
        if visit in words
    ]
    marks += [
        VisitMark(day_of(one.date, zone), (ADVERSE_EVENT,), reference=one.reference)
        for one in file.events or ()
        if one.happened and one.encounter.target not in visits
    ]
    known = (one for one in marks if one.day is None or one.day <= as_of)
    return tuple(sorted(known, key=lambda one: (one.day or date.max, one.encounter, one.reference)))


def _happened(file: ToleranceFile) -> Iterator[tuple[str, str]]:
    """Visits by reference, and what happened."""
    for one in file.observations:
        if one.in_force and one.own == CONDITIONS:
            if went_wrong(one):
                yield one.encounter.target, ADVERSE_EVENT
            if stopped(one):
                yield one.encounter.target, STOPPED
    for event in file.events or ():
        if event.happened:
            yield event.encounter.target, ADVERSE_EVENT
    for procedure in file.procedures or ():
        if procedure.status == "stopped":
            yield procedure.encounter.target, STOPPED
