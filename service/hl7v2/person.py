"""What PID and MRG say of a person, as elements of a Patient; what is wrong with them is gathered."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from service.hl7v2.mapping import tables
from service.hl7v2.parsing import Components, Segment, part
from service.hl7v2.problem import Place, Problem
from service.hl7v2.times import fhir_time

__all__ = ["Identifier", "Person", "PersonReader"]

Tree = dict[str, Any]
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


class PersonReader:
    """Reads fields and keeps what is wrong with them."""

    def __init__(self, systems: Mapping[str, str], zone: ZoneInfo) -> None:
        """``systems`` are those of assigning authorities; times without an offset are of ``zone``."""
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
