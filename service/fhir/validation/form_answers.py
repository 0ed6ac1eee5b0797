"""One answer against its question: type, options, bounds (FHIR R4 questionnaire.html, item types)."""

from collections.abc import Callable, Iterator
from decimal import Decimal
from typing import Any

from service.errors import IssueType
from service.fhir.json import Tree, number_text
from service.fhir.references import local_target
from service.fhir.validation.fault import Fault
from service.fhir.validation.form_nodes import extensions, objects, value_of
from service.fhir.validation.form_values import equal, order
from service.fhir.validation.reading import text

__all__ = ["Member", "faults_of_answer", "options"]

Member = Callable[[str, str, str], bool | None]
"""Whether the value set of a canonical has the code of a system; None if it can't be told."""

_TYPES = {
    "boolean": ("Boolean",),
    "decimal": ("Decimal",),
    "integer": ("Integer",),
    "date": ("Date",),
    "dateTime": ("DateTime",),
    "time": ("Time",),
    "string": ("String",),
    "text": ("String",),
    "url": ("Uri",),
    "choice": ("Coding",),
    "open-choice": ("Coding", "String"),
    "attachment": ("Attachment",),
    "reference": ("Reference",),
    "quantity": ("Quantity",),
}
_CHOICES = frozenset({"choice", "open-choice"})


def faults_of_answer(question: Tree, type_: str, value: Any, member: Member) -> Iterator[Fault]:
    """Every fault of one answer, its path relative to the answer."""
    kind = text(question, "type")
    allowed = dict.fromkeys((*_TYPES.get(kind, ()), *_option_types(question)))
    if allowed and type_ not in allowed:
        named = " or ".join(f"value{one}" for one in allowed)
        yield _fault(type_, f"the form asks for {named}, not for value{type_}.")
        return
    if kind in _CHOICES and (sentence := _not_offered(question, type_, value, member)):
        yield _fault(type_, sentence, IssueType.CODE_INVALID)
    for find in (_lengths, _bounds, _kinds):
        for sentence in find(question, type_, value):
            yield _fault(type_, sentence)


def options(question: Tree) -> list[tuple[str, Any, bool]]:
    """The answers offered: type, value, and whether it excludes all others."""
    return [
        (*value_of(one), True in extensions(one, "questionnaire-optionExclusive"))
        for _, one in objects(question, "answerOption")
    ]


def _option_types(question: Tree) -> list[str]:
    """What options are of; a choice among words or numbers is answered by one."""
    offered = options(question) if text(question, "type") in _CHOICES else []
    return [type_ for type_, _, _ in offered if type_]


def _not_offered(question: Tree, type_: str, value: Any, member: Member) -> str:
    if question.get("type") == "open-choice" and type_ == "String":
        return ""
    offered = [(kind, one) for kind, one, _ in options(question)]
    if offered and not any(kind == type_ and equal(type_, one, value) for kind, one in offered):
        return "the answer is none of those the form offers."
    value_set = text(question, "answerValueSet")
    if value_set and type_ == "Coding" and isinstance(value, dict):
        code, system = text(value, "code"), text(value, "system")
        if code and member(value_set, system, code) is False:
            return f"the code is not in the value set {value_set[:200]}."
    return ""


def _lengths(question: Tree, _: str, value: Any) -> Iterator[str]:
    if not isinstance(value, str):
        return
    longest = question.get("maxLength")
    if longest is not None and _is_count(longest) and len(value) > longest:
        yield f"the answer has {len(value)} characters; the form allows {longest}."
    for least in extensions(question, "minLength"):
        if _is_count(least) and len(value) < least:
            yield f"the answer has {len(value)} characters; the form asks for at least {least}."


def _bounds(question: Tree, type_: str, value: Any) -> Iterator[str]:
    if type_ not in {"Decimal", "Integer", "Date", "DateTime", "Time"}:
        return
    for least in extensions(question, "minValue"):
        if order(type_, value, least) == -1:
            yield f"the answer is below the least the form allows, {_short(least)}."
    for most in extensions(question, "maxValue"):
        if order(type_, value, most) == 1:
            yield f"the answer is above the most the form allows, {_short(most)}."
    for places in extensions(question, "maxDecimalPlaces"):
        if type_ == "Decimal" and _is_count(places) and _places(value) > places:
            yield f"the answer has {_places(value)} decimal places; the form allows {places}."


def _kinds(question: Tree, type_: str, value: Any) -> Iterator[str]:
    """Units of quantities, and types that a reference may lead to."""
    if not isinstance(value, dict):
        return
    units = [one for one in extensions(question, "questionnaire-unitOption") if isinstance(one, dict)]
    if type_ == "Quantity" and units and not any(_same_unit(value, one) for one in units):
        yield "the unit is none of those the form offers."
    types = extensions(question, "questionnaire-referenceResource")
    if type_ == "Reference" and types:
        target = local_target(text(value, "reference")).partition("/")[0] or text(value, "type")
        if target and target not in types:
            yield f"the form asks for a reference to {' or '.join(map(_short, types))}."


def _same_unit(quantity: Tree, unit: Tree) -> bool:
    if "code" in quantity:
        return all(quantity.get(name) == unit.get(name) for name in ("system", "code"))
    return text(quantity, "unit") in {text(unit, "display"), text(unit, "code")}


def _places(value: Any) -> int:
    if isinstance(value, bool) or not isinstance(value, (int, Decimal)):
        return 0
    exponent = Decimal(number_text(value)).as_tuple().exponent
    return max(0, -exponent) if isinstance(exponent, int) else 0


def _is_count(value: Any) -> bool:
    return isinstance(value, int) and not isinstance(value, bool)


def _short(value: Any) -> str:
    return (number_text(value) if isinstance(value, (int, Decimal)) else str(value))[:64]


def _fault(type_: str, text: str, code: IssueType = IssueType.VALUE) -> Fault:
    return Fault(f".value{type_}", text, code)
