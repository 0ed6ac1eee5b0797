"""What a Questionnaire says of its own values: they are of the type of their item (questionnaire.html)."""

from collections.abc import Iterator
from typing import Any

from service.errors import IssueType
from service.fhir.json import Tree
from service.fhir.validation.fault import Fault
from service.fhir.validation.scope import Found, Scope

__all__ = ["form_item"]

# Types of items whose answers have one type; a choice may be among several.
_VALUES = {
    "attachment": "valueAttachment",
    "boolean": "valueBoolean",
    "date": "valueDate",
    "dateTime": "valueDateTime",
    "decimal": "valueDecimal",
    "integer": "valueInteger",
    "quantity": "valueQuantity",
    "reference": "valueReference",
    "string": "valueString",
    "text": "valueString",
    "time": "valueTime",
    "url": "valueUri",
}
_OTHER_TYPE = "In an item of the type {} this has to be given as {}."


def form_item(node: Tree, _: Scope) -> Found:
    """Check that initial values and options of an item are of its type."""
    type_ = node.get("type")
    wanted = _VALUES.get(type_) if isinstance(type_, str) else None
    if wanted is None or not ("initial" in node or "answerOption" in node):
        return None
    text = _OTHER_TYPE.format(type_, wanted)
    found = [
        Fault(f"{at}.{name}", text, IssueType.VALUE)
        for part in ("initial", "answerOption")
        for at, name in _valued(node.get(part), f".{part}")
        if name != wanted
    ]
    return found or None


def _valued(values: Any, at: str) -> Iterator[tuple[str, str]]:
    for place, one in enumerate(values if isinstance(values, list) else ()):
        for name in one if isinstance(one, dict) else ():
            if name.startswith("value"):
                yield f"{at}[{place}]", name
