"""FHIR data types as data types of v2.5.1 (chapter 2A).

Each function answers the components of one repetition; a ``Words`` among them may be cut where a field would
be longer than the standard lets it be, codes and identifiers never are.
"""

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from service.hl7v2.encoding import Component, Repetition
from service.hl7v2.mapping import code_systems, cut_code, tables
from service.hl7v2.times import time_stamp

__all__ = ["CONVERTERS", "Words", "coded", "units"]

Tree = dict[str, Any]
_IDENTIFIER_TYPES = "http://terminology.hl7.org/CodeSystem/v2-0203"


class Words(str):
    """Text for people, which may be cut."""

    __slots__ = ()


def coded(concept: Tree) -> Repetition:
    """CE: a standard coding first, a local one as its alternative; without codings the text alone."""
    known = code_systems()
    named = [
        (known.systems.get(one.get("system", ""), known.other), one) for one in concept.get("coding", ())
    ]
    order = {name: place for place, name in enumerate(known.preferred)}
    named = sorted((one for one in named if one[1].get("code")), key=lambda one: _rank(one[0], order))
    if not named:
        return ["", Words(concept.get("text", ""))]
    first = named[0]
    others = [one for one in named[1:] if _local(one[0])] or named[1:]
    return [*_coding(*first), *(_coding(*others[0]) if others else ())]


def _rank(name: str, order: Mapping[str, int]) -> int:
    return order.get(name, 99 if _local(name) else 50)


def _local(name: str) -> bool:
    return name.startswith("99") or name == code_systems().other


def _coding(name: str, coding: Tree) -> Sequence[str]:
    return [cut_code(coding["code"]), Words(coding.get("display", "")), name]


def units(quantity: Tree) -> Repetition:
    """CE of a UCUM unit; a unit in words alone stands as text."""
    code, words = quantity.get("code", ""), quantity.get("unit", "")
    if not code:
        return ["", Words(words)] if words else []
    return [code, Words(words), code_systems().systems.get(quantity.get("system", ""), code_systems().other)]


def _identifier(one: Tree) -> Repetition:
    """CX; without its type where the identifier tells none."""
    codings = one.get("type", {}).get("coding", ())
    kinds = [coding["code"] for coding in codings if coding.get("system") == _IDENTIFIER_TYPES]
    return [one.get("value", ""), "", "", _authority(one.get("system", "")), *kinds[:1]]


def _authority(system: str) -> Component:
    """HD: an OID as such, anything else as a URI."""
    if not system:
        return ""
    oid = system.removeprefix("urn:oid:")
    return ["", oid, "ISO"] if oid != system else ["", system, "URI"]


def _name(name: Tree) -> Repetition:
    """XPN. A person without a name has one of unspecified type, as the field must be there."""
    given = [*name.get("given", ())] if "resourceType" not in name else []
    if "resourceType" in name:
        return ["", "", "", "", "", "", "U"]
    kind = tables()["name-type"].of(name.get("use", ""))
    family = name.get("family") or ("" if given else name.get("text", ""))
    more = [
        Words(" ".join(given[1:])),
        Words(" ".join(name.get("suffix", ()))),
        Words(" ".join(name.get("prefix", ()))),
    ]
    return [[Words(family)], Words(given[0] if given else ""), *more, "", kind]


def _address(one: Tree) -> Repetition:
    lines = one.get("line", ())
    street = [Words(lines[0])] if lines else ""
    rest = (Words(", ".join(lines[1:])), one.get("city", ""), one.get("state", ""), one.get("postalCode", ""))
    kind = tables()["address-type"].of(one.get("use", ""))
    country = one.get("country", "")
    return [street, *map(Words, rest), tables()["country"].of(country.upper()) or country, kind]


def _telecom(one: Tree) -> Repetition:
    """XTN: use, equipment, and the number as it was given (XTN.12), or the address of e-mail (XTN.4)."""
    system = one.get("system", "")
    use = tables()["telecom-use"].of("email" if system == "email" else one.get("use", ""))
    mobile = system == "phone" and one.get("use") == "mobile"
    equipment = tables()["telecom-equipment"].of("mobile" if mobile else system)
    written = one.get("value", "")
    if system in {"email", "url"}:
        return ["", use, equipment, Words(written)]
    return ["", use, equipment, *[""] * 8, Words(written)]


def _person(one: Tree) -> Repetition:
    """XCN of a Practitioner, Patient or another who is on file."""
    identifier: Tree = next((i for i in _listed(one.get("identifier")) if i.get("value")), {})
    said: Any = next(iter(_listed(one.get("name"))), {})
    name: Tree = {"text": said} if isinstance(said, str) else said
    family, given, *more, _degree, _kind = [*_name(name), "", ""][:7]
    kind = "PI" if one.get("resourceType") == "Patient" else "PRN"
    authority = _authority(identifier.get("system", ""))
    said = [identifier.get("value", ""), family, given, *more[:3], "", "", authority]
    return [*said, "", "", "", kind if said[0] else ""]


def _interpreter(one: Tree) -> Repetition:
    """NDL, of which the name (CNN) is the first component."""
    person = _person(one)
    family = person[1] if isinstance(person[1], str) else person[1][0]
    system = person[8] if isinstance(person[8], str) else person[8][1]
    told = [person[0], family, person[2], "", "", "", "", "", "", system, "URI" if system else ""]
    return [[str(part) for part in told]]


def _listed(value: Any) -> list[Any]:
    return value if isinstance(value, list) else [value] if value else []


def _text(value: Any) -> Repetition:
    return [Words(_said(value))]


def _said(value: Any) -> str:
    return str(value).lower() if isinstance(value, bool) else str(value)


def _structured(value: Any) -> Repetition:
    """HD, EI and others whose components are in the settings as ``name^universal id^type``."""
    return [*str(value).split("^")]


def _cx_or_text(value: Any) -> Repetition:
    return _identifier(value) if isinstance(value, dict) else [str(value)]


CONVERTERS: Mapping[str, Callable[[Any], Repetition]] = {
    "CE": lambda value: units(value) if "value" in value else coded(value),
    "CWE": coded,
    "CX": _cx_or_text,
    "EI": _structured,
    "FT": _text,
    "HD": _structured,
    "ID": lambda value: [_said(value)],
    "IS": lambda value: [_said(value)],
    "MSG": _structured,
    "NDL": _interpreter,
    "PT": lambda value: [_said(value)],
    "SI": lambda value: [_said(value)],
    "ST": lambda value: [_said(value)],
    "TS": lambda value: [time_stamp(value)],
    "VID": _structured,
    "XAD": _address,
    "XCN": _person,
    "XPN": _name,
    "XTN": _telecom,
    "varies": lambda value: value,
}
"""How a FHIR value becomes a repetition of each data type."""
