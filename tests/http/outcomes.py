"""Reading an OperationOutcome in a test."""

from typing import Any

from httpx import Response

_EXTENSION = "http://hl7.org/fhir/StructureDefinition/operationoutcome-issue-"


def position(issue: dict[str, Any]) -> tuple[int, int]:
    """Line and column of an issue; KeyError if they are not told."""
    told = {one["url"].removeprefix(_EXTENSION): one["valueInteger"] for one in issue["extension"]}
    return told["line"], told["col"]


def texts(answer: Response) -> str:
    """All sentences of the outcome."""
    return " ".join(one["details"]["text"] for one in answer.json()["issue"])
