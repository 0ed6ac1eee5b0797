"""ADT messages as what they say of people: admissions, changes, merges, and merges taken back. Pure.

A01, A04 and A08 tell of one person. A40 merges the person of MRG-1 into that of PID-3. A37 unlinks two: here
it takes a merge of theirs back, as the standard has no event for that and A37 is the one that parts people.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from service.hl7v2.parsing import Received, Segment
from service.hl7v2.person import Identifier, Person, PersonReader
from service.hl7v2.problem import Place, Problem, Refused

__all__ = ["EVENTS", "Admission", "admissions"]

EVENTS = ("A01", "A04", "A08", "A37", "A40")
_VERSIONS = ("2.3", "2.3.1", "2.4", "2.5", "2.5.1")
_CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f]")


@dataclass(frozen=True, slots=True)
class Admission:
    """One thing that a message asks for.

    ``other`` are the identifiers of the second person: merged into the first (A40), or parted from them
    (A37). ``test`` tells that it is not for production.
    """

    event: str
    person: Person
    other: Sequence[Identifier] = ()
    test: bool = False


def admissions(message: Received, systems: Mapping[str, str], zone: ZoneInfo) -> list[Admission]:
    """Answer what an ADT message asks for, in order.

    ``systems`` maps assigning authorities to the URIs of identifier systems; ``*`` stands for none given.
    Refused with every problem that was found.
    """
    event = _event(message)
    reader = PersonReader(systems, zone)
    test = message.header.text(11) != "P"
    pids = message.all("PID")
    if not message.all("EVN"):
        reader.problems.append(Problem("segment", Place("EVN"), ["EVN"]))
    if not pids:
        reader.problems.append(Problem("segment", Place("PID"), ["PID"]))
    reader.problems += _unprintable([*pids, *message.all("MRG")])
    found = [*_asked(event, pids, message.all("MRG"), reader)]
    if reader.problems:
        raise Refused(*reader.problems)
    return [Admission(event, person, other, test) for person, other in found]


def _unprintable(segments: Sequence[Segment]) -> list[Problem]:
    """Control characters that FHIR's texts can't have."""
    return [
        Problem("not-valid", Place(segment.name, 1, number), [str(Place(segment.name, 1, number))])
        for segment in segments
        for number, field in enumerate(segment.fields, 1)
        if any(_CONTROL.search(text) for one in field for parts in one for text in parts)
    ]


def _event(message: Received) -> str:
    """The event, if the header is one that is taken here."""
    msh, problems = message.header, []
    if msh.text(9) != "ADT":
        problems.append(Problem("type", Place("MSH", 1, 9, 1, 1)))
    elif msh.text(9, 2) not in EVENTS:
        problems.append(Problem("event", Place("MSH", 1, 9, 1, 2), [", ".join(EVENTS)]))
    if msh.text(12) not in _VERSIONS:
        problems.append(Problem("version", Place("MSH", 1, 12)))
    if msh.text(11) not in {"P", "T", "D"}:
        problems.append(Problem("processing", Place("MSH", 1, 11)))
    if not msh.text(10):
        problems.append(Problem("required", Place("MSH", 1, 10)))
    if problems:
        raise Refused(*problems)
    return msh.text(9, 2)


def _asked(
    event: str, pids: Sequence[Segment], mrgs: Sequence[Segment], reader: PersonReader
) -> list[tuple[Person, Sequence[Identifier]]]:
    people = [reader.person(pid, number) for number, pid in enumerate(pids, 1)]
    if event == "A40":
        if len(mrgs) < len(pids):
            reader.problems.append(Problem("segment", Place("MRG", len(mrgs) + 1), ["MRG"]))
        others = [reader.identifiers(mrg, 1, number) for number, mrg in enumerate(mrgs, 1)]
        return list(zip(people, others, strict=False))
    if event == "A37":
        if len(people) == 1:
            reader.problems.append(Problem("segment", Place("PID", 2), ["PID"]))
        return [(people[0], people[1].identifiers)] if len(people) > 1 else []
    return [(one, ()) for one in people[:1]]
