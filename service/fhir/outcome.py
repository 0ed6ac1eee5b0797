"""Issues as a FHIR R4 OperationOutcome (operationoutcome.html)."""

import re
from collections.abc import Iterable
from itertools import islice
from typing import Any

from service.errors import Issue, IssueType, Place
from service.fhir.canonical import code_system

__all__ = ["operation_outcome"]

_LINE = "http://hl7.org/fhir/StructureDefinition/operationoutcome-issue-line"
_COLUMN = "http://hl7.org/fhir/StructureDefinition/operationoutcome-issue-col"
_NO_TEXT = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f]")
"""What a FHIR string can't hold, and a sentence about a member's name may."""
_MOST = 500
"""Issues told one by one; a body of broken members would else be answered by one ten times its size."""


def operation_outcome(issues: Iterable[Issue]) -> dict[str, Any]:
    """Answer an OperationOutcome with one entry per issue, in order; without any issue it says so.

    ``details.text`` is the sentence, ``details.coding`` the rule's id where there is one, ``diagnostics`` the
    place as a person reads it and ``expression`` the place as FHIRPath. Line and column stand in the
    published extensions for them.
    """
    told = iter(issues)
    entries = [_entry(issue) for issue in islice(told, _MOST)]
    if more := sum(1 for _ in told):
        entries.append(_entry(Issue(f"There are {more} more problems.", code=IssueType.TOO_LONG)))
    fine = {
        "severity": "information",
        "code": "informational",
        "details": {"text": "No problems were found."},
    }
    return {"resourceType": "OperationOutcome", "issue": entries or [fine]}


def _entry(issue: Issue) -> dict[str, Any]:
    details: dict[str, Any] = {"text": _text(issue.message)}
    if rule := " ".join(_text(issue.rule).split()):  # an address in what was sent may be the rule's id
        details = {"coding": [{"system": code_system("rule"), "code": rule}], **details}
    return {
        **_position(issue.place),
        "severity": str(issue.severity),
        "code": str(issue.code),
        "details": details,
        **_where(issue.place),
    }


def _position(place: Place) -> dict[str, Any]:
    pairs = ((_LINE, place.line), (_COLUMN, place.column))
    found = [{"url": url, "valueInteger": number} for url, number in pairs if number is not None]
    return {"extension": found} if found else {}


def _where(place: Place) -> dict[str, Any]:
    where: dict[str, Any] = {}
    if str(place) not in {"", place.expression}:
        where["diagnostics"] = _text(str(place))
    if place.expression:
        where["expression"] = [_text(place.expression)]
    return where


def _text(text: str) -> str:
    return _NO_TEXT.sub("\ufffd", text)
