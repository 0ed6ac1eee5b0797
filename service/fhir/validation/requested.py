"""A resource against the base and against profiles: those it claims, and those somebody asks for."""

from collections.abc import Iterable, Iterator

from service.errors import Issue, IssueType, Place
from service.fhir.json import Tree
from service.fhir.validation.fault import Fault
from service.fhir.validation.form_nodes import objects
from service.fhir.validation.profiles import Definitions, check_extensions, check_profiles, claimed
from service.fhir.validation.resource import check

__all__ = ["check_requested", "claim_issues"]

_BASE = "http://hl7.org/fhir/StructureDefinition/"


def check_requested(resource: Tree, profiles: Iterable[str], definitions: Definitions) -> tuple[Issue, ...]:
    """Answer every problem, also of the resources in a Bundle, which are held against what they claim.

    A profile asked for that is not known is an error, one that a resource claims a warning.
    """
    found = [*check(resource)]
    type_ = resource.get("resourceType")
    root = type_ if isinstance(type_, str) else ""
    asked = [one for one in profiles if one.partition("|")[0] != f"{_BASE}{root}"]
    known = [one for one in asked if definitions.structure(one) is not None]
    found += [_unknown(one, root) for one in asked if one not in known]
    found += _issues(check_profiles(resource, [*known, *claimed(resource)], definitions), root)
    found += _issues(check_extensions(resource, definitions), root)
    for place, entry in objects(resource, "entry") if root == "Bundle" else ():
        if isinstance(inner := entry.get("resource"), dict):
            faults = check_profiles(inner, claimed(inner), definitions, bundle=resource)
            found += _issues(faults, f"Bundle.entry[{place}].resource")
    return tuple(dict.fromkeys(found))


def claim_issues(resource: Tree, definitions: Definitions, *, at: str = "") -> tuple[Issue, ...]:
    """Answer what is wrong with a resource by the profiles it claims; one that is not known is a warning.

    ``at`` is its expression when it lies inside another. What its references lead to is only looked at where
    it contains it.
    """
    claims = claimed(resource)
    if not claims:
        return ()
    faults = check_profiles(resource, claims, definitions)
    return tuple(_issues(faults, at or str(resource.get("resourceType", ""))))


def _issues(faults: Iterable[Fault], root: str) -> Iterator[Issue]:
    for fault in faults:
        yield Issue(fault.message, fault.severity, fault.code, Place(f"{root}{fault.path}"), fault.rule)


def _unknown(profile: str, root: str) -> Issue:
    text = f"The profile {profile[:300]} is not known here, so the resource can't be held against it."
    return Issue(text, code=IssueType.NOT_FOUND, place=Place(root), rule=profile)
