"""Forms (Questionnaires): those that travel with the program, and what is said of answers to one."""

from collections.abc import Mapping
from functools import cache

from service.errors import Issue, IssueType, Place, Severity
from service.fhir.json import Tree, reread
from service.fhir.validation.form_answers import Member
from service.fhir.validation.form_nodes import objects
from service.fhir.validation.places import told
from service.fhir.validation.questionnaire_response import check_answers
from service.fhir.validation.reading import text
from service.shipped import shipped

__all__ = ["RESPONSE", "answer_issues", "contained", "form_address", "shipped_forms"]

RESPONSE = "QuestionnaireResponse"
_UNKNOWN = "The form is not known here, so that the answers can't be compared with it."


@cache
def shipped_forms() -> Mapping[str, Tree]:
    """Answer the forms of ``mappings/forms/`` by URL."""
    trees = [reread(file.read_bytes()) for file in sorted(shipped("mappings", "forms").glob("*.json"))]
    return {tree["url"]: tree for tree in trees}


def form_address(resource: Tree) -> str:
    """What a response names as its form, empty if it names none or is no response."""
    return text(resource, "questionnaire") if resource.get("resourceType") == RESPONSE else ""


def contained(holder: Tree, address: str) -> Tree | None:
    """Answer the resource inside another that ``#id`` names."""
    return next((one for _, one in objects(holder, "contained") if f"#{text(one, 'id')}" == address), None)


def answer_issues(response: Tree, form: Tree | None, member: Member, *, at: str = "") -> tuple[Issue, ...]:
    """Answer how the answers differ from what their form asks for; one that is not known (None) is a warning.

    ``at`` is the expression of the response when it lies inside another resource.
    """
    root = at or RESPONSE
    if form is None:
        place = Place(expression=f"{root}.questionnaire")
        return (Issue(_UNKNOWN, Severity.WARNING, IssueType.NOT_FOUND, place),)
    return told(check_answers(response, form, member=member), response, at=root)
