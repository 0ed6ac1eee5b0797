"""Calling the terminology operations, and reading what they answer."""

from typing import Any

from httpx import AsyncClient, Response

from service.fhir.json import parse
from service.fhir.validation import errors


async def store(client: AsyncClient, *trees: dict[str, Any]) -> None:
    for tree in trees:
        answer = await client.put(f"/fhir/{tree['resourceType']}/{tree['id']}", json=tree)
        assert answer.is_success, answer.text


async def ask(client: AsyncClient, path: str, *parameters: dict[str, Any], **query: Any) -> Response:
    """Call an operation: by GET with primitive parameters, else by POST with Parameters."""
    if not parameters:
        return await client.get(f"/fhir/{path}", params=query)
    body = {"resourceType": "Parameters", "parameter": list(parameters)}
    return await client.post(f"/fhir/{path}", params=query, json=body)


def good(answer: Response) -> dict[str, Any]:
    assert answer.status_code == 200, answer.text
    assert errors(parse(answer.content)) == ()
    tree: dict[str, Any] = answer.json()
    return tree


def values(answer: Response) -> dict[str, Any]:
    """The parameters of an answer by name; the last of several."""
    return {
        one["name"]: next((value for key, value in one.items() if key != "name"), None)
        for one in good(answer)["parameter"]
    }


def listed(answer: Response) -> list[str]:
    return [one["code"] for one in good(answer)["expansion"].get("contains", [])]


def refused(answer: Response, status: int, code: str) -> str:
    assert answer.status_code == status, answer.text
    (issue,) = answer.json()["issue"]
    assert issue["code"] == code
    return str(issue["diagnostics"] if "diagnostics" in issue else issue["details"]["text"])
