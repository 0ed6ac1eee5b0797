"""The one place where the HTTP client library is imported."""

from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from email.utils import parsedate_to_datetime
from typing import Any

import httpcore
import httpx

from service.correlation import asked_of
from service.jobs.outgoing import Outgoing

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


def connect(base_url: str, token: str, outgoing: Outgoing | None, *, timeout: float = 60.0) -> Client:
    """A client for one remote service: bearer token, if any, on every request, redirects not followed.

    What is asked because of a request carries its id, and its trace where it is followed. The client connects
    where ``outgoing`` lets it and through no proxy; without it to wherever it is told.
    """
    authorization = {"Authorization": f"Bearer {token}"} if token else {}

    async def judge(request: httpx.Request) -> None:
        if outgoing is not None:
            outgoing.check(str(request.url))

    return _Client(
        base_url=base_url.rstrip("/"),
        headers={**authorization, "Accept": "application/fhir+json"},
        timeout=timeout,
        follow_redirects=False,
        transport=_Judged(outgoing) if outgoing is not None else None,
        trust_env=outgoing is None,  # a proxy would connect to what was not judged
        event_hooks={"request": [judge]},
    )


class _Client(httpx.AsyncClient):
    """Names the request because of which it asks; how long that takes is told to whoever follows it."""

    async def send(self, request: httpx.Request, **options: Any) -> httpx.Response:
        """See httpx; the span ends when the answer's head is there where the body is streamed."""
        with asked_of(request.url.host, request.method) as fields:
            request.headers.update(fields)
            return await super().send(request, **options)


class _Judged(httpx.AsyncHTTPTransport):
    """Connects where it may: httpx has no place of its own for how connections are made, httpcore has."""

    def __init__(self, outgoing: Outgoing) -> None:
        super().__init__()
        self._pool = httpcore.AsyncConnectionPool(
            ssl_context=httpx.create_ssl_context(), network_backend=_Network(outgoing)
        )


class _Network(httpcore.AnyIOBackend):
    """Connections to addresses that were judged; TLS still asks for the name."""

    def __init__(self, outgoing: Outgoing) -> None:
        self._outgoing = outgoing

    async def connect_tcp(
        self,
        host: str,
        port: int,
        timeout: float | None = None,  # noqa: ASYNC109 - of the contract
        local_address: str | None = None,
        socket_options: Iterable[httpcore.SOCKET_OPTION] | None = None,
    ) -> httpcore.AsyncNetworkStream:
        """Connect to the first address that answers."""
        try:
            addresses = await self._outgoing.addresses(host, port)
        except OSError as error:
            raise httpcore.ConnectError(f"{host} can't be found") from error
        problem: Exception = httpcore.ConnectError(f"{host} has no address")
        for address in addresses:
            try:
                return await super().connect_tcp(address, port, timeout, local_address, socket_options)
            except (httpcore.ConnectError, httpcore.ConnectTimeout) as error:
                problem = error
        raise problem


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
