"""Whether a resource is valid FHIR R4: everything that is wrong with it at once."""

from service.errors import Issue, Severity
from service.fhir.json import Tree
from service.fhir.validation.places import told
from service.fhir.validation.scope import Scope
from service.fhir.validation.structure import resource as check_resource

__all__ = ["check", "errors"]


def check(resource: Tree, *, at: str = "") -> tuple[Issue, ...]:
    """Answer every problem found, each with its FHIRPath expression; empty when there is none.

    ``at`` is the expression of the resource when it lies inside another (``Bundle.entry[3].resource``).
    Warnings are among them.
    """
    faults = check_resource(resource, Scope(resource))
    return told(faults, resource, at=at) if faults else ()


def errors(resource: Tree, *, at: str = "") -> tuple[Issue, ...]:
    """Answer what a resource is refused for; empty if it can be stored."""
    return tuple(issue for issue in check(resource, at=at) if issue.severity is Severity.ERROR)
