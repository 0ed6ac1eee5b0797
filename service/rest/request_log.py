"""The outermost ring: request ids, one log line per request, and the last net for exceptions.

The line is JSON with its level, the method, the route's template, the status, the milliseconds, the request
id and, where they are known, the client that asked and the trace. Paths, queries, headers and bodies name
patients, so none of them is ever written. Lines are written several at a time, at most a tenth of a second
late, and the last ones when the service stops.
"""

import asyncio
import logging
import re
import secrets
import time
import traceback
from itertools import count

import msgspec
from starlette.requests import HTTPConnection
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.correlation import REQUEST_ID
from service.rest.errors import error_answer
from service.rest.fields import sent_field
from service.rest.metrics import Metrics
from service.security.audit import facts_of

__all__ = ["TRACE_ID", "Lines", "RequestLog", "request_id", "template"]

_log = logging.getLogger("service.requests")
_encoder = msgspec.json.Encoder()
_FINE_ID = re.compile(r"[A-Za-z0-9._-]{1,64}")
_REQUEST_ID = "service.request_id"
TRACE_ID = "service.trace_id"
"""What the scope of a request holds the id of its trace under, where it is followed."""
_PROCESS = secrets.token_hex(4)
_number = count()
_USUAL_LEVEL, _ERROR_LEVEL = "info", "error"
_LATE_S = 0.1
_WAITING = 1_000
_USUAL = (
    (b"cache-control", b"no-store"),
    (b"x-content-type-options", b"nosniff"),
    (b"content-security-policy", b"default-src 'none'; frame-ancestors 'none'"),
)
"""Answers are about people; what they hold is what they say it is, and a browser runs none of it."""
_BY_HTTPS = (b"strict-transport-security", b"max-age=31536000")
"""For a year a browser comes by https alone (RFC 6797)."""


class _Line(msgspec.Struct, gc=False, omit_defaults=True):
    method: str
    route: str
    status: int
    ms: float
    request_id: str
    level: str
    client: str = ""
    trace_id: str = ""


class _Broken(msgspec.Struct, gc=False, omit_defaults=True):
    error: str
    frames: list[str]
    request_id: str
    level: str
    trace_id: str = ""


class Lines:
    """The lines of requests that are answered, waiting to be written together."""

    def __init__(self, *, every: bool = True) -> None:
        """Start with none; ``every``: also those of requests that went as they should."""
        self._waiting: list[_Line | _Broken] = []
        self._every = every
        self._level = logging.INFO if every else logging.ERROR

    def add(self, line: _Line | _Broken) -> None:
        """Take a line; it is written soon."""
        if not self._every and line.level == _USUAL_LEVEL:
            return
        if not self._waiting:
            asyncio.get_running_loop().call_later(_LATE_S, self.write)
        self._waiting.append(line)
        if len(self._waiting) >= _WAITING:
            self.write()

    def write(self) -> None:
        """Write every line that waits, as one record of the log."""
        if self._waiting:
            _log.log(self._level, "%s", _encoder.encode_lines(self._waiting).decode().rstrip("\n"))
            self._waiting.clear()


class RequestLog:
    """Middleware: gives each answer its ``X-Request-Id`` (the caller's if it sent one) and logs it."""

    def __init__(self, app: ASGIApp, lines: Lines, metrics: Metrics, *, by_https: bool = False) -> None:
        """Wrap ``app`` and count what is logged; ``by_https``: its public address is one of https."""
        self._app = app
        self._lines = lines
        self._usual = (*_USUAL, _BY_HTTPS) if by_https else _USUAL
        self._metrics = metrics
        self._in_work = 0
        metrics.tell("swallow_http_requests_in_work", "Requests in work now.", lambda: self._in_work)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request."""
        exchange = _Exchange(scope, send, self._usual)
        known = REQUEST_ID.set(exchange.request_id)
        self._in_work += 1
        try:
            await self._app(scope, receive, exchange.send)
        except Exception as error:  # noqa: BLE001 - nothing may leave the service without an answer
            self._lines.add(exchange.broken(error))
            if exchange.status == 0:
                await error_answer(error, HTTPConnection(scope))(scope, receive, exchange.send)
        finally:
            self._in_work -= 1
            REQUEST_ID.reset(known)
            line = exchange.line()
            self._lines.add(line)
            self._metrics.answered(line.route, line.method, line.status, line.ms / 1000)


def request_id(scope: Scope) -> str:
    """Answer the id of a request, which its log line has too; empty outside of the log."""
    return str(scope.get(_REQUEST_ID, ""))


class _Exchange:
    """One request and its answer, as far as the log may know them."""

    def __init__(self, scope: Scope, send: Send, usual: tuple[tuple[bytes, bytes], ...]) -> None:
        self._scope = scope
        self._send = send
        self._usual = usual
        self._begun = time.perf_counter()
        self.status = 0
        sent_id = sent_field(scope, "x-request-id")
        fine = sent_id and _FINE_ID.fullmatch(sent_id)
        self.request_id = sent_id if fine else f"{_PROCESS}{next(_number) & 0xFFFFFFFF:08x}"
        scope[_REQUEST_ID] = self.request_id

    async def send(self, message: Message) -> None:
        if message["type"] == "http.response.start":
            self.status = message["status"]
            message["headers"] = self._headers(message.get("headers", ()))
        elif self._scope["method"] == "HEAD" and message["type"] == "http.response.body":
            message = {**message, "body": b""}
        await self._send(message)

    def _headers(self, given: list[tuple[bytes, bytes]]) -> list[tuple[bytes, bytes]]:
        """Those of the answer, and what every answer carries unless it has its own."""
        names = dict(given)
        usual = [one for one in self._usual if one[0] not in names]
        return [*given, *usual, (b"x-request-id", self.request_id.encode())]

    def broken(self, error: Exception) -> _Broken:
        """Where it broke. The exception's own words may quote a patient and stay out."""
        trace = traceback.extract_tb(error.__traceback__)
        frames = [f"{frame.filename}:{frame.lineno} {frame.name}" for frame in trace]
        name = type(error).__name__
        return _Broken(name, frames, self.request_id, _ERROR_LEVEL, self._scope.get(TRACE_ID, ""))

    def line(self) -> _Line:
        """What is told of every request."""
        milliseconds = round((time.perf_counter() - self._begun) * 1000, 1)
        scope, status = self._scope, self.status
        return _Line(
            scope["method"],
            template(scope),
            status,
            milliseconds,
            self.request_id,
            _ERROR_LEVEL if status >= 500 or not status else _USUAL_LEVEL,
            _client(scope),
            scope.get(TRACE_ID, ""),
        )


def _client(scope: Scope) -> str:
    """The client of a token that was believed: a program, never a person."""
    facts = facts_of(scope)
    return facts.principal.client if facts and facts.principal else ""


def template(scope: Scope) -> str:
    """The path of the route that was chosen, with names where an address has values."""
    chosen = scope.get("route")
    if chosen is None and "endpoint" in scope:  # FastAPI names its own routes alone
        routes = scope["app"].routes
        chosen = next(
            (route for route in routes if getattr(route, "endpoint", None) is scope["endpoint"]), None
        )
    return getattr(chosen, "path", "unmatched")
