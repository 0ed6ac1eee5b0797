"""ADT messages as what they say of people: admissions, changes, merges, and merges taken back. Pure.

A01, A04 and A08 tell of one person. A40 merges the person of MRG-1 into that of PID-3. A37 unlinks two: here
it takes a merge of theirs back, as the standard has no event for that and A37 is the one that parts people.
"""

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from service.hl7v2.mapping import tables
from service.hl7v2.parsing import Components, Received, Segment, part
from service.hl7v2.problem import Place, Problem, Refused
from service.hl7v2.times import fhir_time

__all__ = ["EVENTS", "Admission", "Identifier", "Person", "admissions"]

Tree = dict[str, Any]
EVENTS = ("A01", "A04", "A08", "A37", "A40")
_VERSIONS = ("2.3", "2.3.1", "2.4", "2.5", "2.5.1")
_CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f]")
_NULL = '""'


class Identifier(NamedTuple):
    """System, value and type (HL7 table 0203) of an identifier."""

    system: str
    value: str
    type: str = ""


@dataclass(frozen=True, slots=True)
class Person:
    """What a PID says: identifiers, and elements of a Patient; None takes an element away."""

    identifiers: Sequence[Identifier]
    elements: Mapping[str, Any]


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
    reader = _Reader(systems, zone)
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
    event: str, pids: Sequence[Segment], mrgs: Sequence[Segment], reader: "_Reader"
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


class _Reader:
    """Reads fields and keeps what is wrong with them."""

    def __init__(self, systems: Mapping[str, str], zone: ZoneInfo) -> None:
        self.problems: list[Problem] = []
        self._systems = systems
        self._zone = zone

    def person(self, pid: Segment, number: int) -> Person:
        """What a PID says."""
        elements: Tree = {}
        for name, field, made in (
            ("name", 5, self._names),
            ("birthDate", 7, self._birth),
            ("gender", 8, self._gender),
            ("address", 11, self._addresses),
        ):
            self._take(elements, name, pid, field, made, number)
        self._telecom(elements, pid)
        self._death(elements, pid, number)
        return Person(self.identifiers(pid, 3, number), elements)

    def identifiers(self, segment: Segment, field: int, number: int) -> list[Identifier]:
        """The identifiers of a field of CX."""
        found = []
        repetitions = segment.field(field)
        if not repetitions:
            self.problems.append(Problem("required", Place(segment.name, number, field)))
        for place, one in enumerate(repetitions, 1):
            system = self._system(one)
            if not system:
                self.problems.append(Problem("authority", Place(segment.name, number, field, place, 4)))
            elif part(one, 1):
                found.append(Identifier(system, part(one, 1), part(one, 5)))
        if repetitions and not any(part(one, 1) for one in repetitions):
            self.problems.append(Problem("required", Place(segment.name, number, field, 1, 1)))
        return found

    def _system(self, one: Components) -> str:
        namespace, universal, type_ = (part(one, 4, at) for at in (1, 2, 3))
        if not any((namespace, universal)):
            return self._systems.get("*", "")
        named = self._systems.get(namespace) or self._systems.get(universal)
        if named or not universal:
            return named or ""
        return f"urn:oid:{universal}" if type_ == "ISO" else universal if type_ == "URI" else ""

    def _take(  # noqa: PLR0913, PLR0917 - where a field stands and what becomes of it
        self,
        elements: Tree,
        name: str,
        pid: Segment,
        field: int,
        made: Callable[[list[Components]], Any],
        number: int,
    ) -> None:
        """One element: an empty field says nothing of it, ``""`` takes it away."""
        found = pid.field(field)
        if not found:
            return
        if part(found[0], 1) == _NULL:
            elements[name] = None
            return
        try:
            elements[name] = made(found)
        except ValueError:
            kind = "no-such-code" if name == "gender" else "not-a-time"
            self.problems.append(Problem(kind, Place(pid.name, number, field)))

    def _names(self, found: list[Components]) -> list[Tree]:
        return [one for one in map(_name, found) if one]

    def _addresses(self, found: list[Components]) -> list[Tree]:
        return [one for one in map(_address, found) if one]

    def _birth(self, found: list[Components]) -> str:
        return fhir_time(part(found[0], 1), self._zone)[:10]

    def _gender(self, found: list[Components]) -> str:
        return tables()["sex-in"].codes[part(found[0], 1)] if _known_sex(found) else _refuse()

    def _telecom(self, elements: Tree, pid: Segment) -> None:
        told = [(one, "home") for one in pid.field(13)] + [(one, "work") for one in pid.field(14)]
        made = [one for repetition, use in told if (one := _contact(repetition, use))]
        if told:
            elements["telecom"] = made or None

    def _death(self, elements: Tree, pid: Segment, number: int) -> None:
        said = pid.text(30)
        if said in {"Y", "N", _NULL}:
            elements["deceasedBoolean"] = {"Y": True, "N": False}.get(said)
            elements["deceasedDateTime"] = None
        elif said:
            self.problems.append(Problem("no-such-code", Place(pid.name, number, 30)))
        if said == "N":
            return
        self._take(elements, "deceasedDateTime", pid, 29, self._moment, number)
        if elements.get("deceasedDateTime"):
            elements["deceasedBoolean"] = None

    def _moment(self, found: list[Components]) -> str:
        return fhir_time(part(found[0], 1), self._zone)


def _known_sex(found: list[Components]) -> bool:
    return part(found[0], 1) in tables()["sex-in"].codes


def _refuse() -> str:
    raise ValueError("a code that its table does not have")


def _present(**members: Any) -> Tree:
    return {name: value for name, value in members.items() if value}


def _name(one: Components) -> Tree:
    """HumanName of XPN."""
    given = [part(one, 2), *part(one, 3).split()]
    return (
        _present(
            use=tables()["name-use-in"].of(part(one, 7)),
            family=part(one, 1),
            given=[text for text in given if text],
            prefix=part(one, 5).split(),
            suffix=part(one, 4).split(),
        )
        if part(one, 1) or part(one, 2)
        else {}
    )


def _address(one: Components) -> Tree:
    """Address of XAD."""
    lines = [text for text in (part(one, 1), part(one, 2)) if text]
    names = ("city", "state", "postalCode", "country")
    rest = {name: part(one, at) for at, name in enumerate(names, 3)}
    return _present(use=tables()["address-use-in"].of(part(one, 7)), line=lines, **rest)


def _contact(one: Components, use: str) -> Tree:
    """ContactPoint of XTN; v2.5.1 still lets the number stand in XTN.1, or in its parts."""
    equipment = part(one, 3)
    if part(one, 4):
        return {"system": "email", "value": part(one, 4), **({"use": use} if use == "work" else {})}
    parts = [f"+{part(one, 5)}" if part(one, 5) else "", part(one, 6), part(one, 7)]
    number = part(one, 12) or part(one, 1) or " ".join(text for text in parts if text)
    if not number or number == _NULL:
        return {}
    system = {"FX": "fax", "BP": "pager"}.get(equipment, "phone")
    return {"system": system, "value": number, "use": "mobile" if equipment == "CP" else use}
