"""Invariants of clinical, administrative and workflow resources."""

from collections.abc import Callable

from service.fhir.json import Tree
from service.fhir.units import UCUM
from service.fhir.validation.invariants.comparing import dates_in_order
from service.fhir.validation.invariants.conditions import (
    Holds,
    Rule,
    at_least_one,
    exactly_one,
    names,
    needs,
    not_both,
    only_for,
    plain,
    together,
)
from service.fhir.validation.reading import coded, number, parts, text, there

__all__ = ["RULES"]

_TERMINOLOGY = "http://terminology.hl7.org/CodeSystem"
_ENTERED_IN_ERROR = "entered-in-error"
_ENDED = ("resolved", "remission", "inactive")


def _allergy_in_error(node: Tree) -> bool:
    system = f"{_TERMINOLOGY}/allergyintolerance-verification"
    return coded(node, "verificationStatus", system, _ENTERED_IN_ERROR)


def _allergy_has_status(node: Tree, _resource: Tree, _root: Tree) -> bool:
    return "clinicalStatus" in node or _allergy_in_error(node)


def _allergy_in_error_has_none(node: Tree, _resource: Tree, _root: Tree) -> bool:
    return "clinicalStatus" not in node or not _allergy_in_error(node)


def _condition_in_error(node: Tree) -> bool:
    return coded(node, "verificationStatus", f"{_TERMINOLOGY}/condition-ver-status", _ENTERED_IN_ERROR)


def _problem_has_status(node: Tree, _resource: Tree, _root: Tree) -> bool:
    return (
        "clinicalStatus" in node
        or not coded(node, "category", f"{_TERMINOLOGY}/condition-category", "problem-list-item")
        or _condition_in_error(node)
    )


def _abated_has_ended(type_: str) -> Holds:
    abatement = names(type_, "abatement")
    system = f"{_TERMINOLOGY}/condition-clinical"
    return lambda node, _resource, _root: (
        abatement.isdisjoint(node) or coded(node, "clinicalStatus", system, *_ENDED)
    )


def _condition_in_error_has_none(node: Tree, _resource: Tree, _root: Tree) -> bool:
    return "clinicalStatus" not in node or not _condition_in_error(node)


def _appointment_has_times(node: Tree, _resource: Tree, _root: Tree) -> bool:
    timed = there(node, "start") and there(node, "end")
    return timed or node.get("status") in ("proposed", "cancelled", "waitlist")


def _for_practitioner(node: Tree, _resource: Tree, root: Tree) -> bool:
    """Whether somebody acts on behalf of others only as a practitioner, as far as the reference tells who."""
    if "onBehalfOf" not in node:
        return True
    reference = text(node.get("member", {}), "reference")
    if not reference.startswith("#"):
        return True
    inner = [one for one in parts(root, "contained") if one.get("id") == reference[1:]]
    targets = inner if len(reference) > 1 else [root]
    return not targets or targets[0].get("resourceType") == "Practitioner"


def _patient_for(code: str) -> Callable[[Tree, Tree, Tree], bool]:
    def holds(node: Tree, _resource: Tree, _root: Tree) -> bool:
        return "patient" in node or not coded(node, "scope", "something", code)

    return holds


def _changes_only(node: Tree, _resource: Tree, _root: Tree) -> bool:
    return node.get("mode") == "changes" or not any(there(one, "deleted") for one in parts(node, "entry"))


def _dates_while_working(node: Tree, _resource: Tree, _root: Tree) -> bool:
    return node.get("mode") == "working" or not any(there(one, "date") for one in parts(node, "entry"))


def _two_items(node: Tree, _resource: Tree, _root: Tree) -> bool:
    return len(node.get("item", ())) > 1


def _handed_over_after_prepared(node: Tree, _resource: Tree, _root: Tree) -> bool:
    return dates_in_order(node.get("whenPrepared"), node.get("whenHandedOver"))


def _modified_after_authored(node: Tree, _resource: Tree, _root: Tree) -> bool:
    return dates_in_order(node.get("authoredOn"), node.get("lastModified"))


def _coordinates(node: Tree, _resource: Tree, _root: Tree) -> bool:
    return node.get("coordinateSystem") in (0, 1)


def _value_or_component(type_: str) -> Holds:
    """If a component says what the Observation is of, its value is the component's."""
    value = names(type_, "value")

    def holds(node: Tree, _resource: Tree, _root: Tree) -> bool:
        if "component" not in node or value.isdisjoint(node):
            return True
        own = parts(node, "code", "coding")
        return not any(coding in own for coding in parts(node, "component", "code", "coding"))

    return holds


def _not_at_home(node: Tree, _resource: Tree, _root: Tree) -> bool:
    return node.get("use") != "home"


def _percentages(node: Tree, _resource: Tree, _root: Tree) -> bool:
    return all(
        limit.get("code") == "%" and limit.get("system") == UCUM
        for limit in (node[name] for name in ("low", "high") if name in node)
    )


def _up_to_a_hundred(node: Tree, _resource: Tree, _root: Tree) -> bool:
    return (number(node, "probabilityDecimal") or 0) <= 100


RULES: dict[str, Rule] = {
    "ait-1": plain(_allergy_has_status),
    "ait-2": plain(_allergy_in_error_has_none),
    "app-1": at_least_one("type", "actor"),
    "app-2": together("start", "end"),
    "app-3": plain(_appointment_has_times),
    "app-4": only_for("status", ("no-show", "cancelled"), "cancelationReason"),
    "apr-1": at_least_one("participantType", "actor"),
    "ces-1": exactly_one("category", "productOrService"),
    "cmp-1": at_least_one("text", "entry", "section"),
    "cmp-2": not_both("emptyReason", "entry"),
    "con-1": at_least_one("summary", "assessment"),
    "con-2": at_least_one("code", "detail"),
    "con-3": plain(_problem_has_status),
    "con-4": _abated_has_ended,
    "con-5": plain(_condition_in_error_has_none),
    "cpl-3": not_both("detail", "reference"),
    "ctm-1": plain(_for_practitioner),
    "fhs-1": not_both("age", "born"),
    "fhs-2": needs("estimatedAge", "age"),
    "gol-1": needs("detail", "measure"),
    "grp-1": only_for("actual", (True,), "member"),
    "imm-1": at_least_one("documentType", "reference"),
    "imr-1": at_least_one("vaccineCode", "targetDisease"),
    "inv-1 Parameters.parameter": exactly_one("part", "value", "resource"),
    "inv-1 Task": plain(_modified_after_authored),
    "ipn-1": at_least_one("identifier", "name"),
    "lnk-1": plain(_two_items),
    "lst-1": not_both("emptyReason", "entry"),
    "lst-2": plain(_changes_only),
    "lst-3": plain(_dates_while_working),
    "mad-1": at_least_one("dose", "rate"),
    "mdd-1": plain(_handed_over_after_prepared),
    "msq-3": plain(_coordinates),
    "msq-5": together("chromosome", "genomeBuild"),
    "msq-6": exactly_one("genomeBuild", "referenceSeqId", "referenceSeqPointer", "referenceSeqString"),
    "nor-1": at_least_one("oralDiet", "supplement", "enteralFormula"),
    "obs-3": at_least_one("low", "high", "text"),
    "obs-6": not_both("dataAbsentReason", "value"),
    "obs-7": _value_or_component,
    "org-1": at_least_one("identifier", "name"),
    "org-2": plain(_not_at_home),
    "org-3": plain(_not_at_home),
    "pat-1": at_least_one("name", "telecom", "address", "organization"),
    "ppc-1": at_least_one("policy", "policyRule"),
    "ppc-2": plain(_patient_for("patient-privacy")),
    "ppc-3": plain(_patient_for("research")),
    "ppc-4": plain(_patient_for("adr")),
    "ppc-5": plain(_patient_for("treatment")),
    "prr-1": needs("orderDetail", "code"),
    "ras-1": plain(_percentages),
    "ras-2": plain(_up_to_a_hundred),
    "rqg-1": exactly_one("resource", "action"),
    "sev-1": not_both("name", "query"),
}
