"""Where references and canonicals may lead: the types the element allows (references.html)."""

import re
from typing import Any

from service.errors import IssueType
from service.fhir.elements import STRUCTURES, Element, is_resource
from service.fhir.validation.fault import Fault
from service.fhir.validation.scope import Check, Found, Scope

__all__ = ["leads_to", "target", "type_in"]

_ID = r"[A-Za-z0-9\-.]{1,64}"
_RELATIVE = re.compile(rf"([A-Za-z]+)/{_ID}(?:/_history/{_ID})?(?:#.*)?")
_RESTFUL = re.compile(rf"https?://.+/([A-Za-z]+)/{_ID}(?:/_history/{_ID})?(?:#.*)?")
_CONDITIONAL = re.compile(r"([A-Za-z]+)\?.+")
_SCHEME = re.compile(r"[A-Za-z][A-Za-z0-9+.-]*:")
_CANONICAL = re.compile(r"http://hl7\.org/fhir/([A-Z][A-Za-z]+)/[^/|]+(?:\|.*)?")
_NOT_CONTAINED = "There is no contained resource with this id."
_WRONG_TYPE = "The reference must lead to {}, not to {}."
_OTHER_TYPE = "The type that the reference names disagrees with where it leads, a resource of type {}."
_NOT_RELATIVE = "A relative reference is written as Patient/1: the type, a slash and the id."
_NO_TYPE = "'{}' is not a resource type of FHIR R4 (names are case-sensitive)."


def target(element: Element) -> Check | None:
    """Answer the check of what a Reference or canonical leads to; None for other elements."""
    if element.type == "Reference":
        return _reference(element.targets)
    if element.type == "canonical" and element.targets:
        return _canonical(element.targets)
    return None


def leads_to(reference: str, scope: Scope) -> set[str]:
    """Answer the types of resource a reference leads to, as far as that can be told; empty if it can't."""
    if reference.startswith("#"):
        type_ = scope.contained_type(reference[1:])
        return {type_} if type_ else set()
    if found := scope.in_bundle(reference):
        return found
    type_ = type_in(reference)
    return {type_} if type_ else set()


def type_in(reference: str) -> str:
    """Answer the type of resource that the text of a reference names, empty if it names none."""
    for form in (_RELATIVE, _RESTFUL, _CONDITIONAL):
        if (found := form.fullmatch(reference)) and is_resource(found[1]):
            return found[1]
    return ""


def _reference(targets: tuple[str, ...]) -> Check:
    def check(node: Any, scope: Scope) -> Found:
        text, type_ = node.get("reference"), node.get("type")
        found: list[Fault] = []
        types: set[str] = set()
        if type(text) is str:
            types = leads_to(text, scope)
            if not types:
                found = _nowhere(text)
            elif targets and not types.intersection(targets):
                found = [_not_allowed(targets, types)]
            elif (named := type_in(text)) and named not in types:
                found = [Fault("", _OTHER_TYPE.format(", ".join(sorted(types))), IssueType.VALUE)]
        if type(type_) is str:
            found += _stated(type_.removeprefix(STRUCTURES), targets, types)
        return found or None

    return check


def _nowhere(text: str) -> list[Fault]:
    """What is wrong with a reference of which it can't be told where it leads."""
    if text.startswith("#"):
        return [Fault("", _NOT_CONTAINED, IssueType.NOT_FOUND)]
    if (written := _RELATIVE.fullmatch(text)) and not is_resource(written[1]):
        return [Fault("", _NO_TYPE.format(written[1][:64]), IssueType.VALUE)]
    relative = not written and not _CONDITIONAL.fullmatch(text) and not _SCHEME.match(text)
    return [Fault("", _NOT_RELATIVE, IssueType.VALUE)] if relative else []


def _stated(type_: str, targets: tuple[str, ...], types: set[str]) -> list[Fault]:
    """What is wrong with ``Reference.type``."""
    if not is_resource(type_):
        return [Fault(".type", _NO_TYPE.format(type_[:64]), IssueType.VALUE)]
    if targets and type_ not in targets:
        return [Fault(".type", _WRONG_TYPE.format(_listed(targets), type_), IssueType.VALUE)]
    if types and type_ not in types:
        return [Fault(".type", _OTHER_TYPE.format(", ".join(sorted(types))), IssueType.VALUE)]
    return []


def _canonical(targets: tuple[str, ...]) -> Check:
    def check(value: Any, scope: Scope) -> Found:
        if value.startswith("#"):
            type_ = scope.contained_type(value[1:])
            if type_ is None:
                return [Fault("", _NOT_CONTAINED, IssueType.NOT_FOUND)]
        else:
            written = _CANONICAL.fullmatch(value)
            type_ = written[1] if written else ""
        wrong = is_resource(type_) and type_ not in targets
        return [_not_allowed(targets, {type_})] if wrong else None

    return check


def _not_allowed(targets: tuple[str, ...], types: set[str]) -> Fault:
    return Fault("", _WRONG_TYPE.format(_listed(targets), ", ".join(sorted(types))), IssueType.VALUE)


def _listed(targets: tuple[str, ...]) -> str:
    return ", ".join(targets[:-1]) + f" or {targets[-1]}" if len(targets) > 1 else targets[0]
