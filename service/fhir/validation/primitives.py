"""The form of each primitive type: its JSON kind, its text, and that days exist (FHIR R4 datatypes.html)."""

import binascii
import re
from calendar import monthrange
from collections.abc import Callable
from decimal import Decimal
from functools import cache
from typing import Any

from service.errors import IssueType, Severity
from service.fhir.validation.fault import Fault

__all__ = ["ELEMENT_ID", "NULL", "SINGLE", "explain", "holds"]

Holds = Callable[[Any], bool]
ELEMENT_ID = "element id"
"""The type of ``Element.id``, which is a string without spaces."""
NULL = "null is not allowed here; leave the element out."
SINGLE = "This element does not repeat; write its value without an array."
_LONGEST = 1024 * 1024
_YEAR = r"(?!0000)\d{4}"
_MONTH = r"(?:0[1-9]|1[0-2])"
_DAY = r"(?:0[1-9]|[12]\d|3[01])"
_CLOCK = r"(?:[01][0-9]|2[0-3]):[0-5][0-9]:(?:[0-5][0-9]|60)(?:\.[0-9]+)?"
_ZONE = r"(?:Z|[+-](?:(?:0\d|1[0-3]):[0-5]\d|14:00))"
_DATE = rf"{_YEAR}(?:-{_MONTH}(?:-{_DAY})?)?"
_FORMS = {
    "date": _DATE,
    "dateTime": rf"{_DATE}|{_YEAR}-{_MONTH}-{_DAY}T{_CLOCK}{_ZONE}",
    "instant": rf"{_YEAR}-{_MONTH}-{_DAY}T{_CLOCK}{_ZONE}",
    "time": _CLOCK,
    "code": r"[^\s]+(?:\s[^\s]+)*",
    "id": r"[A-Za-z0-9\-.]{1,64}",
    "oid": r"urn:oid:[0-2](?:\.(?:0|[1-9][0-9]*))+",
    "uuid": r"urn:uuid:[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}",
    "uri": r"\S+",
    ELEMENT_ID: r"\S+",
}
_FORMS |= dict.fromkeys(("url", "canonical"), _FORMS["uri"])
_RANGES = {"integer": (-(2**31), 2**31 - 1), "unsignedInt": (0, 2**31 - 1), "positiveInt": (1, 2**31 - 1)}
_CONTROLS = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f]")
_WITH_ZONE = re.compile(r"\d{4}-\d\d-\d\dT.*", re.DOTALL)
_CONTROL = "A string should not hold control characters other than tab and line ends."
_SENTENCES = {
    "date": "A date is written as 2026, 2026-02 or 2026-02-04, and has to exist.",
    "dateTime": "A date is written as 2026, 2026-02 or 2026-02-04, and with a time as "
    "2026-02-04T10:30:00+01:00 (seconds and time zone are needed); it has to exist.",
    "instant": "An instant is written as 2026-02-04T10:30:00.000+01:00 (seconds and time zone are needed), "
    "and has to exist.",
    "time": "A time is written as 10:30:00, with seconds and without time zone.",
    "code": "A code has no spaces at its beginning or end, and only single ones inside.",
    "id": "An id has 1 to 64 of the characters A-Z a-z 0-9 - and .",
    "oid": "An OID is written as urn:oid:1.2.3.",
    "uuid": "A UUID is written as urn:uuid: and 32 lower-case hexadecimal digits in groups of 8-4-4-4-12.",
    ELEMENT_ID: "The id of an element must not contain spaces.",
    "uri": "An address must not contain spaces.",
    "url": "An address must not contain spaces.",
    "canonical": "An address must not contain spaces.",
    "integer": "The number must be between -2147483648 and 2147483647.",
    "unsignedInt": "The number must be between 0 and 2147483647.",
    "positiveInt": "The number must be between 1 and 2147483647.",
    "base64Binary": "The text is not base64: groups of four of A-Z a-z 0-9 + /, filled up with = at the end.",
}


@cache
def holds(type_: str) -> Holds:
    """Answer what tells quickly whether a JSON value is right for a primitive type."""
    if type_ in _RANGES:
        return _whole(*_RANGES[type_])
    if type_ in _FORMS:
        return _dated(_FORMS[type_]) if type_ in {"date", "dateTime", "instant"} else _formed(_FORMS[type_])
    return {"boolean": _boolean, "decimal": _decimal, "base64Binary": _base64}.get(type_, _string)


def explain(type_: str, value: Any) -> list[Fault]:
    """Say what is wrong with a value that does not hold."""
    if value is None:
        return [Fault("", NULL, IssueType.STRUCTURE)]
    if isinstance(value, list):
        return [Fault("", SINGLE, IssueType.STRUCTURE)]
    text = _kind(type_, value) or _text(type_, value)
    severity = Severity.WARNING if text == _CONTROL else Severity.ERROR
    return [Fault("", text, IssueType.VALUE, severity=severity)]


def _kind(type_: str, value: Any) -> str:
    """What JSON kind it should have been, empty if that is right."""
    if type_ == "boolean":
        return "The value must be true or false, without quotes."
    if type_ == "decimal":
        return "The value must be a number, without quotes."
    if type_ in _RANGES:
        return "" if type(value) is int else "The value must be a whole number, without quotes."
    return "" if isinstance(value, str) else "The value must be a JSON string."


def _text(type_: str, value: Any) -> str:
    if value == "":
        return "A string must not be empty; leave the element out."
    if type_ in _SENTENCES:
        return _SENTENCES[type_]
    if len(value) > _LONGEST:
        return "A string has at most 1,048,576 characters."
    if value.isspace():
        return "A string must not be only spaces; leave the element out."
    return _CONTROL


def _boolean(value: Any) -> bool:
    return value is True or value is False


def _decimal(value: Any) -> bool:
    return type(value) is int or isinstance(value, Decimal)


def _whole(least: int, most: int) -> Holds:
    return lambda value: type(value) is int and least <= value <= most


def _formed(form: str) -> Holds:
    fullmatch = re.compile(form).fullmatch  # not ASCII: a space of any alphabet is a space
    return lambda value: type(value) is str and fullmatch(value) is not None


def _dated(form: str) -> Holds:
    fullmatch = re.compile(form, re.ASCII).fullmatch
    return lambda value: type(value) is str and fullmatch(value) is not None and _exists(value)


def _exists(text: str) -> bool:
    """Whether the month has the day; ``text`` has the form of a date or longer."""
    day = text[8:10]
    return day <= "28" or int(day) <= monthrange(int(text[:4]), int(text[5:7]))[1]


def _string(value: Any) -> bool:
    if type(value) is not str or not value or len(value) > _LONGEST or value.isspace():
        return False
    return value.isprintable() or not _CONTROLS.search(value)


def _base64(value: Any) -> bool:
    if type(value) is not str or not value:
        return False
    text = "".join(value.split())
    try:
        binascii.a2b_base64(text, strict_mode=True)
    except ValueError:
        return False
    return bool(text) and len(text) % 4 == 0
