"""The one place where the HTTP client library is imported."""

import asyncio
import ssl
import time
from collections.abc import AsyncGenerator, Iterable
from datetime import UTC, datetime, timedelta
from email.utils import parsedate_to_datetime
from typing import Any, NamedTuple, Protocol

import httpcore
import httpx

from service.correlation import asked_of
from service.errors import ServiceError
from service.jobs.outgoing import Outgoing

__all__ = [
    "Certificate",
    "Client",
    "HTTPStatusError",
    "Response",
    "Tokens",
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


class Tokens(Protocol):
    """Access tokens that go along with requests."""

    async def token(self) -> str:
        """Answer one that should be good; empty where none goes along."""
        ...

    def forget(self) -> None:
        """Answer another the next time: it was refused."""
        ...


class Certificate(NamedTuple):
    """Files (PEM) of a certificate we show, and of its key if that is not in the same; empty for none."""

    file: str = ""
    key_file: str = ""


def connect(  # noqa: PLR0913 - what a connection is made of
    base_url: str,
    token: str | Tokens,
    outgoing: Outgoing | None,
    *,
    timeout: float = 60.0,
    certificate: Certificate | None = None,
    per_second: float = 0.0,
) -> Client:
    """A client for one remote service: bearer token, if any, on every request, redirects not followed.

    What is asked because of a request carries its id, and its trace where it is followed. The client connects
    where ``outgoing`` lets it and through no proxy; without it to wherever it is told. It sends so many
    requests ``per_second`` at most (0: any number). ServiceError if a ``certificate`` can't be read.
    """
    pace = _Pace(per_second)

    async def judge(request: httpx.Request) -> None:
        if outgoing is not None:
            outgoing.check(str(request.url))
        await pace.wait()

    return _Client(
        base_url=base_url.rstrip("/"),
        headers={"Accept": "application/fhir+json", **(_bearer(token) if isinstance(token, str) else {})},
        auth=None if isinstance(token, str) else _Authorized(token),
        timeout=timeout,
        follow_redirects=False,
        transport=_Judged(outgoing, certificate) if outgoing is not None else None,
        trust_env=outgoing is None,  # a proxy would connect to what was not judged
        event_hooks={"request": [judge]},
    )


def _bearer(token: str) -> dict[str, str]:
    return {"Authorization": f"Bearer {token}"} if token else {}


class _Authorized(httpx.Auth):
    """Sends a token along, and another one if it is refused: at once (401), or the next time (403)."""

    def __init__(self, tokens: Tokens) -> None:
        self._tokens = tokens

    async def async_auth_flow(self, request: httpx.Request) -> AsyncGenerator[httpx.Request, httpx.Response]:
        request.headers.update(_bearer(await self._tokens.token()))
        response = yield request
        if response.status_code == 401:
            self._tokens.forget()
            if again := _bearer(await self._tokens.token()):
                request.headers.update(again)
                yield request
        elif response.status_code == 403:
            # not worth asking again at once, but the next time with one that may have been given more since
            self._tokens.forget()


class _Pace:
    """Lets requests through one after the other, so many a second."""

    def __init__(self, per_second: float) -> None:
        self._step = 1 / per_second if per_second else 0.0
        self._next = 0.0

    async def wait(self) -> None:
        if self._step:
            now = time.monotonic()
            begin, self._next = max(now, self._next), max(now, self._next) + self._step
            await asyncio.sleep(begin - now)


class _Client(httpx.AsyncClient):
    """Names the request because of which it asks; how long that takes is told to whoever follows it."""

    async def send(self, request: httpx.Request, **options: Any) -> httpx.Response:
        """See httpx; the span ends when the answer's head is there where the body is streamed."""
        with asked_of(request.url.host, request.method) as fields:
            request.headers.update(fields)
            return await super().send(request, **options)


class _Judged(httpx.AsyncHTTPTransport):
    """Connects where it may: httpx has no place of its own for how connections are made, httpcore has.

    HTTP/2 where the other end offers it.
    """

    def __init__(self, outgoing: Outgoing, certificate: Certificate | None) -> None:
        super().__init__()
        self._pool = httpcore.AsyncConnectionPool(
            ssl_context=_tls(certificate or Certificate()), http2=True, network_backend=_Network(outgoing)
        )


def _tls(certificate: Certificate) -> ssl.SSLContext:
    context = httpx.create_ssl_context()
    if certificate.file:
        try:
            context.load_cert_chain(certificate.file, certificate.key_file or None)
        except (OSError, ssl.SSLError) as error:
            raise ServiceError(
                f"{certificate.file} is no certificate with its key ({type(error).__name__})."
            ) from None
    return context


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
