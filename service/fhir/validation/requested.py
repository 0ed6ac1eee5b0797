"""A resource against the base and against profiles: those it claims, and those somebody asks for."""

from collections.abc import Iterable

from service.errors import Issue, IssueType, Place
from service.fhir.elements import STRUCTURES
from service.fhir.json import Tree
from service.fhir.validation.entries import Entries
from service.fhir.validation.fault import Fault
from service.fhir.validation.form_nodes import objects
from service.fhir.validation.places import told
from service.fhir.validation.profiles import Definitions, check_extensions, check_profiles, claimed
from service.fhir.validation.resource import check

__all__ = ["check_requested", "claim_issues"]


def check_requested(resource: Tree, profiles: Iterable[str], definitions: Definitions) -> tuple[Issue, ...]:
    """Answer every problem, also of the resources in a Bundle, which are held against what they claim.

    A profile asked for that is not known is an error, one that a resource claims a warning.
    """
    found = [*check(resource)]
    type_ = resource.get("resourceType")
    root = type_ if isinstance(type_, str) else ""
    asked = [one for one in profiles if one.partition("|")[0] != f"{STRUCTURES}{root}"]
    known = [one for one in asked if definitions.structure(one) is not None]
    found += [_unknown(one, root) for one in asked if one not in known]
    faults = [
        *check_profiles(resource, [*known, *claimed(resource)], definitions),
        *check_extensions(resource, definitions),
    ]
    found += told((*faults, *_unusable(resource, definitions)), resource)
    entries = Entries(resource) if root == "Bundle" else None
    for place, entry in objects(resource, "entry") if entries else ():
        if isinstance(inner := entry.get("resource"), dict):
            faults = check_profiles(inner, claimed(inner), definitions, entries=entries)
            found += told(faults, inner, at=f"Bundle.entry[{place}].resource")
    return tuple(dict.fromkeys(found))


def claim_issues(resource: Tree, definitions: Definitions, *, at: str = "") -> tuple[Issue, ...]:
    """Answer what is wrong with a resource by the profiles it claims and the extensions it uses.

    A profile that is not known is a warning. ``at`` is its expression when it lies inside another. What its
    references lead to is only looked at where it contains it.
    """
    faults = [
        *check_profiles(resource, claimed(resource), definitions),
        *check_extensions(resource, definitions),
    ]
    return told(faults, resource, at=at) if faults else ()


def _unusable(resource: Tree, definitions: Definitions) -> list[Fault]:
    """Why a profile's elements can't be made in full from its differential (profiling.html#snapshot)."""
    if resource.get("resourceType") != "StructureDefinition" or resource.get("derivation") != "constraint":
        return []
    why = definitions.unusable(resource)
    text = f"The elements of this profile can't be made in full: {why}."
    return [Fault("", text, IssueType.INVALID)] if why else []


def _unknown(profile: str, root: str) -> Issue:
    text = f"The profile {profile[:300]} is not known here, so the resource can't be held against it."
    return Issue(text, code=IssueType.NOT_FOUND, place=Place(root), rule=profile)
