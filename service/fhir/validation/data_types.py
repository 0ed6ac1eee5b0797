"""Rules of data types that the standard states in words only (datatypes.html)."""

import re
from decimal import Decimal
from functools import lru_cache
from typing import Any

from service.errors import IssueType, Severity
from service.fhir.fhirpath.syntax import parse
from service.fhir.json import Tree
from service.fhir.validation.fault import Fault
from service.fhir.validation.primitives import explain, holds
from service.fhir.validation.scope import Found, Scope
from service.fhir.value_sets import is_value_set

__all__ = ["attachment", "expressed", "expression", "identifier", "position", "sampled_data", "system_faults"]

_URI_SYSTEM = "urn:ietf:rfc:3986"
_URI = re.compile(r"[A-Za-z][A-Za-z0-9+.-]*:\S+")
_FHIRPATH = "text/fhirpath"
_SIZE = "The size is not the number of bytes in the data; leave it out or correct it."
_NO_FHIRPATH = "The expression is not FHIRPath: {}."
_VALUE_SET = "This is the address of a value set; a system is a code system."
_RELATIVE = "The system should be an absolute address; nobody else can know which one this is."
_BOUNDS: dict[str, int] = {"longitude": 180, "latitude": 90}
_DEGREES = "Degrees are between -{0} and {0}."
_SAMPLES = re.compile(r"(?:[EUL]|-?(?:\d+(?:\.\d*)?|\.\d+))(?: (?:[EUL]|-?(?:\d+(?:\.\d*)?|\.\d+)))*+")
_NO_SAMPLES = "The data are decimal numbers, E, U or L, each separated by one space."
_LONGEST = 200
_NOT_A_URI = f"With the system {_URI_SYSTEM} the value must be a full URI, as urn:oid:1.2.3."


def attachment(node: Tree, _: Scope) -> Found:
    """``Attachment.size`` is the number of bytes of the content before it was written as base64."""
    data, size = node.get("data"), node.get("size")
    if type(data) is not str or type(size) is not int:
        return None
    text = "".join(data.split())
    bytes_ = len(text) // 4 * 3 - len(text[-2:]) + len(text[-2:].rstrip("="))
    return None if size == bytes_ else [Fault("", _SIZE, IssueType.VALUE)]


def expression(node: Tree, _: Scope) -> Found:
    """An Expression whose language is FHIRPath can be read as such."""
    return expressed(node.get("expression")) if node.get("language") == _FHIRPATH else None


def expressed(text: Any) -> Found:
    """Check that a text is FHIRPath; what its functions are is left open."""
    if type(text) is not str:
        return None
    try:
        parse(text)
    except (ValueError, RecursionError) as why:
        return [Fault("", _NO_FHIRPATH.format(str(why)[:200].rstrip(".")), IssueType.INVALID)]
    return None


def identifier(node: Tree, _: Scope) -> Found:
    """An identifier that is a URI names its scheme."""
    value, system = node.get("value"), node.get("system")
    if system == _URI_SYSTEM and type(value) is str and not _URI.fullmatch(value):
        return [Fault("", _NOT_A_URI, IssueType.VALUE)]
    return system_faults(system) if type(system) is str else None


def system_faults(address: str) -> Found:
    """Check what names the system of a code or identifier; a relative one can't be told from others."""
    text, severity = (_system if len(address) <= _LONGEST else _system.__wrapped__)(address)
    return [Fault(".system", text, IssueType.VALUE, severity=severity)] if text else None


@lru_cache(maxsize=2_048)
def _system(address: str) -> tuple[str, Severity]:
    for beginning, type_ in (("urn:oid:", "oid"), ("urn:uuid:", "uuid")):
        if address.startswith(beginning) and not holds(type_)(address.lower()):
            return f"{explain(type_, 'x')[0].message}", Severity.ERROR
    if is_value_set(address):
        return _VALUE_SET, Severity.ERROR
    return ("" if _URI.fullmatch(address) else _RELATIVE), Severity.WARNING


def position(node: Tree, _: Scope) -> Found:
    """A position on the earth, in the degrees of KML (location.html)."""
    found = []
    for name, most in _BOUNDS.items():
        degrees = node.get(name)
        if isinstance(degrees, (int, Decimal)) and not -most <= degrees <= most:
            found.append(Fault(f".{name}", _DEGREES.format(most), IssueType.VALUE))
    return found or None


def sampled_data(node: Tree, _: Scope) -> Found:
    """The data of a SampledData are numbers, E, U and L, with single spaces between."""
    data: Any = node.get("data")
    if type(data) is not str or _SAMPLES.fullmatch(data):
        return None
    return [Fault(".data", _NO_SAMPLES, IssueType.VALUE)]
