"""What an answer of a FHIR endpoint means for what was sent (FHIR R4 http.html, RFC 9110)."""

import re
from collections.abc import Awaitable, Callable
from datetime import UTC, datetime
from typing import Any

from service.errors import DeliveryFailed, DeliveryRefused, InvalidInput
from service.fhir import json
from service.fhir.json import Tree
from service.jobs.http_client import Response, TransportError, retry_wait

__all__ = ["Unmet", "asked", "check_login", "entity_tag", "tree_of"]

_WHOLE = frozenset({401, 404, 405, 406, 410, 415, 421, 426, 501})
"""The endpoint takes nothing of this kind: an address, a login or a setting is wrong."""
_BUSY = frozenset({408, 425, 429, 502, 503, 504})
_REFUSED = frozenset({400, 413, 414, 422, 431})
_ADVICE = {
    401: "It does not believe the token; see to the login of this destination.",
    403: "It does not let the token write this; whoever gave it has to permit it there.",
    404: "Nothing is at this address; it has to be the base of the FHIR service.",
}
"""What to do where the answer alone does not tell it."""
_PLAIN = re.compile(r"[A-Za-z0-9_.\[\]]{1,120}")
"""A place in a resource that quotes nothing of it."""


class Unmet(Exception):
    """A condition that was sent along did not hold (412)."""


async def asked(request: Callable[[], Awaitable[Response]]) -> Response:
    """Answer a response that says the request was done.

    DeliveryFailed, DeliveryRefused or Unmet if it says something else, or there is none.
    """
    response = await _answered(request)
    status = response.status_code
    if status == 412:
        raise Unmet
    if status in _BUSY:
        wait = retry_wait(response, datetime.now(UTC))
        raise DeliveryFailed(_told(response), wait.total_seconds() if wait else 0.0)
    if 300 <= status < 400:
        raise DeliveryFailed(f"{_told(response)} Redirects are not followed; give the address it leads to.")
    if status in _WHOLE:
        raise DeliveryFailed(_told(response))
    if status in _REFUSED:
        raise DeliveryRefused(_told(response))
    if status >= 400:
        raise DeliveryFailed(_told(response), alone=True)
    return response


async def check_login(request: Callable[[], Awaitable[Response]]) -> None:
    """DeliveryFailed if a request is not answered, or its login refused; all else says who asks is known."""
    response = await _answered(request)
    if response.status_code == 401:
        raise DeliveryFailed(_told(response))


async def _answered(request: Callable[[], Awaitable[Response]]) -> Response:
    try:
        return await request()
    except TransportError as error:
        raise DeliveryFailed(f"The receiving end did not answer ({type(error).__name__}).") from None


def tree_of(response: Response, type_: str) -> Tree:
    """Read the resource of a type that a response holds; DeliveryFailed if it holds none that can be read.

    DeliveryRefused if it holds an OperationOutcome that tells of an error.
    """
    try:
        tree = json.parse(response.content)
    except InvalidInput:
        tree = {}
    if tree.get("resourceType") == "OperationOutcome" and _is_error(tree):
        raise DeliveryRefused(_told(response))
    if tree.get("resourceType") != type_:
        raise DeliveryFailed(
            f"The receiving end answered {response.status_code} without a {type_} that can be read.",
            alone=True,
        )
    return tree


def entity_tag(text: str) -> str:
    """Answer a weak entity tag, whichever was given; empty if none was."""
    return f"W/{text}" if text.startswith('"') else text


def _is_error(outcome: Tree) -> bool:
    issues = outcome.get("issue", [])
    return any(isinstance(one, dict) and one.get("severity") in ("fatal", "error") for one in issues)


def _told(response: Response) -> str:
    """Status and issue codes; not the remote texts, which may quote what a patient's record holds."""
    codes = list(dict.fromkeys(_codes(response)))[:10]
    said = f": {'; '.join(codes)}" if codes else ""
    advice = f" {_ADVICE[response.status_code]}" if response.status_code in _ADVICE else ""
    return f"The receiving end answered {response.status_code}{said}.{advice}"


def _codes(response: Response) -> list[str]:
    try:
        issues: list[Any] = response.json()["issue"]
        return [_code(one) for one in issues if one.get("severity") in ("fatal", "error")]
    except (ValueError, KeyError, TypeError, AttributeError):
        return []


def _code(issue: dict[str, Any]) -> str:
    said = str(issue.get("code", ""))
    code = said if re.fullmatch(r"[a-z-]{1,40}", said) else "unknown"
    places = [one for one in issue.get("expression", ()) if _PLAIN.fullmatch(str(one))]
    return f"{code} at {', '.join(places)}" if places else code
