"""The one place where the HTTP client library is imported."""

from datetime import UTC, datetime, timedelta
from email.utils import parsedate_to_datetime

import httpx

__all__ = [
    "Client",
    "HTTPStatusError",
    "Response",
    "TransportError",
    "connect",
    "retry_wait",
    "worth_retrying",
]

Client = httpx.AsyncClient
Response = httpx.Response
HTTPStatusError = httpx.HTTPStatusError
TransportError = httpx.TransportError

_BUSY = frozenset({429, 502, 503, 504})
_LONGEST_WAIT = timedelta(seconds=60)


def connect(base_url: str, token: str, *, timeout: float = 60.0) -> Client:
    """A client for one remote service: bearer token, if any, on every request, redirects not followed."""
    authorization = {"Authorization": f"Bearer {token}"} if token else {}
    return httpx.AsyncClient(
        base_url=base_url.rstrip("/"),
        headers={**authorization, "Accept": "application/fhir+json"},
        timeout=timeout,
        follow_redirects=False,
    )


def worth_retrying(error: Exception) -> bool | timedelta:
    """Whether the same request may succeed later; how much later where the remote end says (Retry-After)."""
    if isinstance(error, httpx.TransportError):
        return True
    if isinstance(error, httpx.HTTPStatusError) and error.response.status_code in _BUSY:
        return retry_wait(error.response, datetime.now(UTC)) or True
    return False


def retry_wait(response: Response, now: datetime) -> timedelta | None:
    """The wait a response asks for (RFC 9110, Retry-After: seconds or a date), at most a minute."""
    text = response.headers.get("Retry-After", "").strip()
    if text.isdigit():
        return min(timedelta(seconds=int(text)), _LONGEST_WAIT)
    try:
        wait = parsedate_to_datetime(text) - now
    except (ValueError, TypeError):
        return None
    return max(timedelta(0), min(wait, _LONGEST_WAIT))
