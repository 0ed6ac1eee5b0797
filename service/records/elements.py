"""Small FHIR elements as plain data."""

from collections.abc import Iterable
from datetime import date, datetime
from decimal import Decimal
from typing import Any

from service.fhir.canonical import extension as own_extension
from service.terminology.codes import UCUM

__all__ = [
    "Element",
    "absent",
    "coded",
    "day",
    "extension",
    "flag",
    "measured",
    "moment",
    "present",
    "quantity",
    "reference",
    "references",
    "text",
    "whole",
]

Element = dict[str, Any]
_ABSENT = "http://terminology.hl7.org/CodeSystem/data-absent-reason"
_WORDS = {"%": "%", "1": "1", "{score}": "score"}


def reference(target: str) -> Element:
    """A Reference."""
    return {"reference": target}


def references(targets: Iterable[str]) -> list[Element]:
    """References, in order."""
    return [reference(target) for target in targets]


def moment(value: datetime) -> str:
    """FHIR dateTime text with seconds and offset."""
    return value.isoformat()


def day(value: date) -> str:
    """FHIR date text."""
    return value.isoformat()


def quantity(value: Decimal | int, code: str, unit: str = "") -> Element:
    """A Quantity in a UCUM unit."""
    return {"value": value, "unit": unit or _WORDS.get(code, code), "system": UCUM, "code": code}


def coded(concept: Element) -> Element:
    """``value[x]`` as a CodeableConcept."""
    return {"valueCodeableConcept": concept}


def whole(value: int) -> Element:
    """``value[x]`` as an integer."""
    return {"valueInteger": value}


def flag(value: bool) -> Element:
    """``value[x]`` as a boolean."""
    return {"valueBoolean": value}


def text(value: str) -> Element:
    """``value[x]`` as a string."""
    return {"valueString": value}


def measured(value: Decimal | int, code: str, unit: str = "") -> Element:
    """``value[x]`` as a Quantity in a UCUM unit."""
    return {"valueQuantity": quantity(value, code, unit)}


def absent(reason: str, display: str) -> Element:
    """``dataAbsentReason`` with a code of the HL7 code system."""
    coding = {"system": _ABSENT, "code": reason, "display": display}
    return {"dataAbsentReason": {"coding": [coding], "text": display}}


def extension(name: str, value: Element | list[Element]) -> Element:
    """One of this project's extensions: a ``value[x]`` fragment, or the parts of a complex one."""
    url = own_extension(name)
    return {"url": url, "extension": value} if isinstance(value, list) else {"url": url, **value}


def present(**members: Any) -> Element:
    """The members that have a value; None, empty text, lists and objects are left out."""
    return {name: value for name, value in members.items() if value is not None and value not in ("", [], {})}
