"""Codes: bindings to value sets, and codes that their own system does not have (terminologies.html)."""

from typing import Any

from service.errors import IssueType, Severity
from service.fhir import value_sets
from service.fhir.code_systems import known_code, known_display
from service.fhir.elements import Binding, Element, binding_of, is_primitive
from service.fhir.json import Tree
from service.fhir.validation.data_types import system_faults
from service.fhir.validation.fault import Fault
from service.fhir.validation.scope import Check, Found, Scope

__all__ = ["binding", "bound", "coded"]

_LISTED = 12
_MEDIA_TYPES = "http://hl7.org/fhir/ValueSet/mimetypes"
_FORMATS = frozenset({"xml", "json", "ttl"})  # what _format takes too (http.html, testscript.html)
_QUANTITIES = frozenset({"Quantity", "Age", "Count", "Distance", "Duration"})
_UNKNOWN = "The code system does not have this code."
_DISPLAY = "The display of this code is '{}' in its code system."
_OUTSIDE = "None of the codes is in the value set {}."
_NO_CODE = "A code of the value set {} is required here."
_EXTENSIBLE = (
    "None of the codes is in the value set {}; another may only be used where none of its codes fits."
)


def binding(element: Element, path: str) -> Check | None:
    """Answer the check of an element's binding; None where every code may stand."""
    told = element.binding or binding_of(element.type)
    if told and told.value_set == _MEDIA_TYPES and path.startswith(("CapabilityStatement.", "TestScript.")):
        return _either(_FORMATS, _text(told))
    return bound(told, element.type) if told else None


def bound(told: Binding, type_: str) -> Check | None:
    """Answer the check of a value of the type; it runs on what has the right structure."""
    if is_primitive(type_):
        return _text(told)
    checks = {"Coding": _coding, "CodeableConcept": _concept} | dict.fromkeys(_QUANTITIES, _coding)
    return checks[type_](told) if type_ in checks else None


def coded(node: Tree, scope: Scope) -> Found:
    """Check that the system of a Coding or Quantity has its code and its display, as far as that is known."""
    system, code, display = node.get("system"), node.get("code"), node.get("display")
    if type(system) is not str or type(code) is not str:
        return None
    known = known_code(system, code)
    if known is None:
        return system_faults(system)
    if not known:
        return [Fault(".code", _UNKNOWN, IssueType.CODE_INVALID, system)]
    if type(display) is str and display != (right := known_display(system, code)) and right:
        return _displayed(display, right, scope, system)
    return None


def _displayed(display: str, known: str, scope: Scope, system: str) -> Found:
    """What ships is in English; case and spaces tell no meanings apart (datatypes.html, Coding.display)."""
    language = scope.resource.get("language", "en")
    if not str(language).lower().startswith("en") or _plain(display) == _plain(known):
        return None
    text = _DISPLAY.format(known)
    return [Fault(".display", text, IssueType.VALUE, system, Severity.WARNING)]


def _plain(display: str) -> str:
    return "".join(one for one in display.casefold() if one.isalnum())


def _text(told: Binding) -> Check | None:
    """A code, uri or string: it has no system of its own, so that extensible leaves it be."""
    url = told.value_set if told.strength == "required" else told.widest
    if not url:
        return None
    listed = value_sets.codes(url)

    def check(value: Any, _: Scope) -> Found:
        if listed is not None and value in listed:
            return None
        return [_wrong(url)] if value_sets.member(url, "", value) is False else None

    return check


def _either(codes: frozenset[str], check: Check | None) -> Check | None:
    return (lambda value, scope: None if value in codes else check(value, scope)) if check else None


def _coding(told: Binding) -> Check:
    return lambda node, _: _judged(told, [node]) if "code" in node or told.strength == "required" else None


def _concept(told: Binding) -> Check:
    def check(node: Any, _: Scope) -> Found:
        codings = node.get("coding")
        if isinstance(codings, list):
            return _judged(told, codings)
        required = told.strength == "required" and "text" in node
        return [_missing(told.value_set)] if required else None

    return check


def _judged(told: Binding, codings: list[Any]) -> Found:
    """A CodeableConcept is right if one of its codings is."""
    given = [one for one in codings if isinstance(one, dict) and isinstance(one.get("code"), str)]
    if told.widest and given and not _any(told.widest, given):
        return [_outside(told.widest)]
    if told.strength == "required":
        if not given:
            return (
                [_missing(told.value_set)]
                if any("extension" not in one for one in codings if isinstance(one, dict))
                else None
            )
        return None if _any(told.value_set, given) else [_outside(told.value_set)]
    if told.strength == "extensible" and given and not _any(told.value_set, given):
        text = _EXTENSIBLE.format(_name(told.value_set))
        return [Fault("", text, IssueType.CODE_INVALID, told.value_set, Severity.WARNING)]
    return None


def _any(url: str, codings: list[Tree]) -> bool:
    """Whether one of the codings is in the set, or may be."""
    return any(value_sets.member(url, _system(one), one["code"]) is not False for one in codings)


def _system(coding: Tree) -> str:
    """The system; one that is not told is none, and not any."""
    system = coding.get("system")
    return system if isinstance(system, str) else "-"


def _wrong(url: str) -> Fault:
    listed = value_sets.codes(url)
    few = f": {', '.join(sorted(listed))}" if listed and len(listed) <= _LISTED else ""
    return Fault("", f"The code must be one of the value set {_name(url)}{few}.", IssueType.CODE_INVALID, url)


def _outside(url: str) -> Fault:
    return Fault("", _OUTSIDE.format(_name(url)), IssueType.CODE_INVALID, url)


def _missing(url: str) -> Fault:
    return Fault("", _NO_CODE.format(_name(url)), IssueType.CODE_INVALID, url)


def _name(url: str) -> str:
    return url.rpartition("/")[2]
