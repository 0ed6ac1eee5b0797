"""``value[x]`` of an Observation as OBX-2 and OBX-5.

Codes are CE: table 0125 of v2.5.1 has no CWE.
"""

from collections.abc import Callable
from typing import Any

from service.hl7v2.data_types import Words, coded
from service.hl7v2.encoding import Repetition
from service.hl7v2.times import time_stamp

__all__ = ["Value", "value_of"]

Tree = dict[str, Any]
Value = tuple[str, Repetition]
"""OBX-2 and one repetition of OBX-5."""

_LONGEST_ST = 199
_EMPTY: Value = ("", [])


def value_of(element: Tree) -> Value:
    """Answer value type and value of an Observation or component; two empty ones where it has none."""
    name = next((one for one in element if one.startswith("value")), "")
    made = _MADE.get(name.removeprefix("value"))
    return made(element[name]) if made else (_EMPTY if not name else _words(element[name]))


def _quantity(value: Tree) -> Value:
    if "value" not in value:
        return _EMPTY
    number, comparator = str(value["value"]), value.get("comparator", "")
    return ("SN", [comparator, number]) if comparator else ("NM", [number])


def _range(value: Tree) -> Value:
    low, high = (str(value.get(end, {}).get("value", "")) for end in ("low", "high"))
    return "SN", ["", low, "-", high]


def _ratio(value: Tree) -> Value:
    above, below = (str(value.get(part, {}).get("value", "")) for part in ("numerator", "denominator"))
    return "SN", ["", above, ":", below]


def _flag(value: bool) -> Value:
    return "CE", ["Y", "Yes", "HL70136"] if value else ["N", "No", "HL70136"]


def _words(value: Any) -> Value:
    text = str(value)
    long = len(text) > _LONGEST_ST or "\n" in text or "\r" in text
    return "TX" if long else "ST", [Words(text)]


def _period(value: Tree) -> Value:
    return "TX", [f"{value.get('start', '')}/{value.get('end', '')}"]


def _attachment(value: Tree) -> Value:
    """ED: of which main type and subtype, and the content in Base64."""
    main, _, sub = value.get("contentType", "").partition("/")
    return ("ED", ["", main, sub, "Base64", value["data"]]) if value.get("data") else _EMPTY


_MADE: dict[str, Callable[[Any], Value]] = {
    "Attachment": _attachment,
    "Boolean": _flag,
    "CodeableConcept": lambda value: ("CE", coded(value)),
    "Date": lambda value: ("DT", [time_stamp(value)]),
    "DateTime": lambda value: ("TS", [time_stamp(value)]),
    "Integer": lambda value: ("NM", [str(value)]),
    "Period": _period,
    "Quantity": _quantity,
    "Range": _range,
    "Ratio": _ratio,
    "Time": lambda value: ("TM", [value.replace(":", "").partition(".")[0]]),
}
