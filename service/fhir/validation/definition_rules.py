"""Rules of definitions that the standard states in words only (codesystem.html and the other pages)."""

import re
from collections.abc import Iterator
from typing import Any

from service.errors import IssueType
from service.fhir.code_systems import known_code
from service.fhir.elements import ANY_RESOURCE, elements, is_resource
from service.fhir.json import Tree
from service.fhir.validation.data_types import expressed
from service.fhir.validation.fault import Fault
from service.fhir.validation.scope import Found, Scope

__all__ = [
    "code_system",
    "constraint",
    "included",
    "parameter",
    "search_parameter",
    "structure_definition",
    "value_set",
]

_PROPERTIES = "http://hl7.org/fhir/concept-properties#"
# The properties of http://hl7.org/fhir/concept-properties, with their types.
_KNOWN = {
    "inactive": "boolean",
    "deprecated": "dateTime",
    "notSelectable": "boolean",
    "parent": "code",
    "child": "code",
}
_BEGINNING = re.compile(r"\s*\(*\s*([A-Z]\w*)\b")
_ELSEWHERE = "The expression begins at none of the types in 'base', so that nothing can be found by it."
_NO_ELEMENT = "The type {} has no element of this path."
_SUPPLEMENT = "A code system with 'supplements' has the content 'supplement', and no other has it."
_NO_CONTENT = "The content is 'not-present', but there are concepts."
_TWICE = "Another property has the same code, which has to identify it."
_TYPE = "The property {} has the type {}."
_UNDECLARED = "The code system declares no property {}."
_NO_CODE = "The code system does not have this code."
_NO_MAXIMUM = "The maximum is a whole number or *."
_MINIMUM = "The minimum is larger than the maximum."
_LONGEST_NUMBER = 20
_TRUTH = "The property {} is compared with true or false."


def code_system(node: Tree, _: Scope) -> Found:
    """A CodeSystem: what its content says of it, and its properties."""
    found: list[Fault] = []
    supplement = node.get("content") == "supplement"
    if isinstance(node.get("content"), str) and supplement != ("supplements" in node):
        found.append(Fault(".content", _SUPPLEMENT, IssueType.INVARIANT))
    if node.get("content") == "not-present" and "concept" in node:
        found.append(Fault(".concept[0]", _NO_CONTENT, IssueType.INVARIANT))
    found += _properties(node.get("property"))
    found += _concepts(node, "", _declared(node.get("property")))
    return found or None


def _declared(properties: Any) -> dict[str, str]:
    """The properties of a code system with their types; those R4 knows need no declaration."""
    given = properties if isinstance(properties, list) else []
    own = {str(one.get("code")): str(one.get("type")) for one in given if isinstance(one, dict)}
    return _KNOWN | own


def _concepts(node: Tree, at: str, declared: dict[str, str]) -> Iterator[Fault]:
    """Properties of concepts that are not declared, or not of the type they are declared to have."""
    concepts = node.get("concept")
    for place, one in enumerate(concepts if isinstance(concepts, list) else ()):
        if isinstance(one, dict):
            here = f"{at}.concept[{place}]"
            yield from _valued(one.get("property"), here, declared)
            yield from _concepts(one, here, declared)


def _valued(properties: Any, at: str, declared: dict[str, str]) -> Iterator[Fault]:
    for place, one in enumerate(properties if isinstance(properties, list) else ()):
        code = one.get("code") if isinstance(one, dict) else None
        if not isinstance(code, str):
            continue
        type_ = declared.get(code)
        if type_ is None:
            yield Fault(f"{at}.property[{place}]", _UNDECLARED.format(code[:64]), IssueType.INVALID)
        for name in one:
            if type_ and name.startswith("value") and name != f"value{type_[:1].upper()}{type_[1:]}":
                yield Fault(f"{at}.property[{place}]", _TYPE.format(code[:64], type_), IssueType.VALUE)


def _properties(properties: Any) -> Iterator[Fault]:
    seen: set[str] = set()
    for place, one in enumerate(properties if isinstance(properties, list) else ()):
        if not isinstance(one, dict):
            continue
        if isinstance(code := one.get("code"), str):
            if code in seen:
                yield Fault(f".property[{place}]", _TWICE, IssueType.DUPLICATE)
            seen.add(code)
        known = str(one.get("uri")).removeprefix(_PROPERTIES)
        if str(one.get("uri")).startswith(_PROPERTIES) and one.get("type") != _KNOWN.get(
            known, one.get("type")
        ):
            text = _TYPE.format(known, _KNOWN[known])
            yield Fault(f".property[{place}]", text, IssueType.VALUE)


def value_set(node: Tree, _: Scope) -> Found:
    """A ValueSet: filters by properties that are true or false."""
    compose = node.get("compose")
    found = (
        []
        if not isinstance(compose, dict)
        else [
            fault
            for name in ("include", "exclude")
            for fault in _filters(compose.get(name), f".compose.{name}")
        ]
    )
    return found or None


def _filters(parts: Any, at: str) -> Iterator[Fault]:
    for place, part in enumerate(parts if isinstance(parts, list) else ()):
        filters = part.get("filter") if isinstance(part, dict) else None
        for number, one in enumerate(filters if isinstance(filters, list) else ()):
            name = one.get("property") if isinstance(one, dict) else None
            boolean = isinstance(name, str) and _KNOWN.get(name) == "boolean"
            if boolean and one.get("op") == "=" and one.get("value") not in {"true", "false"}:
                yield Fault(f"{at}[{place}].filter[{number}]", _TRUTH.format(name), IssueType.VALUE)


def included(node: Tree, _: Scope) -> Found:
    """Part of a ValueSet: the codes it lists are in their system, as far as that is known."""
    system, concepts = node.get("system"), node.get("concept")
    if not isinstance(system, str) or not isinstance(concepts, list):
        return None
    found = [
        Fault(f".concept[{place}].code", _NO_CODE, IssueType.CODE_INVALID, system)
        for place, one in enumerate(concepts)
        if isinstance(one, dict)
        and isinstance(one.get("code"), str)
        and known_code(system, one["code"]) is False
    ]
    return found or None


def constraint(node: Tree, _: Scope) -> Found:
    """A constraint of an ElementDefinition: its expression is FHIRPath."""
    return expressed(node.get("expression"))


def parameter(node: Tree, _: Scope) -> Found:
    """A parameter of an OperationDefinition: how often it may be given."""
    least, most = node.get("min"), node.get("max")
    if not isinstance(most, str):
        return None
    if most != "*" and not (most.isascii() and most.isdigit()):
        return [Fault(".max", _NO_MAXIMUM, IssueType.VALUE)]
    wrong = most != "*" and type(least) is int and len(most) < _LONGEST_NUMBER and least > int(most)
    return [Fault("", _MINIMUM, IssueType.INVARIANT)] if wrong else None


def search_parameter(node: Tree, _: Scope) -> Found:
    """A SearchParameter: its expression begins at one of the types it is for."""
    expression, base = node.get("expression"), node.get("base")
    if faults := expressed(expression):
        return [fault._replace(path=".expression") for fault in faults]
    if (
        not isinstance(expression, str)
        or not isinstance(base, list)
        or not ANY_RESOURCE.isdisjoint(map(str, base))
    ):
        return None
    begun = {found[1] for found in map(_BEGINNING.match, expression.split("|")) if found}
    elsewhere = begun and all(map(is_resource, begun)) and begun.isdisjoint(map(str, base))
    return [Fault(".expression", _ELSEWHERE, IssueType.INVALID)] if elsewhere else None


def structure_definition(node: Tree, _: Scope) -> Found:
    """A StructureDefinition that constrains a type: its differential names elements that the type has."""
    type_, differential = node.get("type"), node.get("differential")
    constrains = node.get("derivation") == "constraint" and isinstance(type_, str) and elements(type_)
    if not constrains or not isinstance(differential, dict):
        return None
    given = differential.get("element")
    found = [
        Fault(f".differential.element[{place}].path", _NO_ELEMENT.format(type_), IssueType.INVALID)
        for place, one in enumerate(given if isinstance(given, list) else ())
        if isinstance(one, dict) and isinstance(one.get("path"), str) and not _has(str(type_), one["path"])
    ]
    return found or None


def _has(type_: str, path: str) -> bool:
    """Whether a type has an element of this path; what is below a choice or any resource is left be."""
    root, *names = path.split(".")
    if root != type_:
        return False
    at = type_
    for name in names:
        table = elements(at)
        stem = name.removesuffix("[x]")
        element = table.get(name)
        if element is None:
            return any(one.choice == stem for one in table.values()) or not table
        if element.type == "Resource":
            return True
        at = element.type
    return True
