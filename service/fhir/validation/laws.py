"""What the standard asks of a type or element beyond its structure, put together."""

from typing import Any

from service.errors import IssueType
from service.fhir.elements import Element, is_primitive, is_resource
from service.fhir.validation import bindings, targets
from service.fhir.validation.bundle_rules import bundle_rules, search_score
from service.fhir.validation.contained import contained
from service.fhir.validation.data_types import attachment, expression, identifier, position, sampled_data
from service.fhir.validation.definition_rules import (
    code_system,
    constraint,
    included,
    parameter,
    search_parameter,
    structure_definition,
    value_set,
)
from service.fhir.validation.extensions import extensions
from service.fhir.validation.fault import Fault
from service.fhir.validation.form_definitions import form_item
from service.fhir.validation.invariants import Invariant, invariants
from service.fhir.validation.scope import Check, Found, Scope

__all__ = ["element_rules", "laws"]

_BY_STRUCTURE = frozenset({"ele-1"})
_OF_WRONG_KINDS = (AttributeError, IndexError, KeyError, TypeError, ValueError)
_OF_TYPES: dict[str, Check] = {
    "Coding": bindings.coded,
    **dict.fromkeys(("Quantity", "Age", "Count", "Distance", "Duration"), bindings.coded),
    "Attachment": attachment,
    "Expression": expression,
    "Identifier": identifier,
    "Location.position": position,
    "SampledData": sampled_data,
    "Bundle": bundle_rules,
    "Bundle.entry.search": search_score,
    "CodeSystem": code_system,
    "ElementDefinition.constraint": constraint,
    "OperationDefinition.parameter": parameter,
    "Questionnaire.item": form_item,
    "SearchParameter": search_parameter,
    "StructureDefinition": structure_definition,
    "ValueSet": value_set,
    "ValueSet.compose.include": included,
}


def laws(type_: str) -> tuple[Check, ...]:
    """Answer the checks of a type or part besides those of its elements."""
    own = [_OF_TYPES[type_]] if type_ in _OF_TYPES else []
    if is_resource(type_):
        own += [extensions(type_, type_), contained]
    return (*own, *_invariants(type_))


def element_rules(element: Element, path: str) -> tuple[Check, ...]:
    """Answer the checks of an element besides those of its type; ``path`` as ``Observation.status``."""
    found = [check for check in (bindings.binding(element, path), targets.target(element)) if check]
    if not is_primitive(element.type) and element.type != "Resource":
        found.append(_extended(extensions(path, element.type)))
    own = () if path == element.type else _invariants(path)
    return (*found, *own)


def _extended(check: Check) -> Check:
    def only(node: Any, scope: Scope) -> Found:
        return check(node, scope) if "extension" in node or "modifierExtension" in node else None

    return only


def _invariants(path: str) -> tuple[Check, ...]:
    return tuple(_invariant(one) for one in invariants(path) if one.key not in _BY_STRUCTURE)


def _invariant(rule: Invariant) -> Check:
    holds, narrative = rule.holds, rule.key == "dom-6"
    fault = [Fault("", f"{rule.human.strip().rstrip('.')}.", IssueType.INVARIANT, rule.key, rule.severity)]

    def check(node: Any, scope: Scope) -> Found:
        try:
            if holds(node, scope.resource, scope.container):
                return None
        except _OF_WRONG_KINDS:
            return None  # it can't be judged; what is of the wrong kind is told where it stands
        # what is contained has its narrative in the resource around it (references.html#contained)
        return None if narrative and node is not scope.container else fault

    return check
