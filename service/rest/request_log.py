"""The outermost ring: request ids, one log line per request, and the last net for exceptions.

The line is JSON with the method, the route's template, the status, the milliseconds and the request id.
Paths, queries, headers and bodies name patients, so none of them is ever written.
"""

import logging
import re
import secrets
import time
import traceback
from typing import Any

import msgspec
from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import HTTPConnection
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.rest.errors import error_answer

__all__ = ["RequestLog", "log_to_stderr"]

_log = logging.getLogger("service.requests")
_FINE_ID = re.compile(r"[A-Za-z0-9._-]{1,64}")


def log_to_stderr() -> None:
    """Write the lines to standard error: for a process that serves, and configures no logging of its own."""
    handler = logging.StreamHandler()
    handler.setFormatter(logging.Formatter("%(message)s"))
    _log.addHandler(handler)
    _log.setLevel(logging.INFO)
    _log.propagate = False


class RequestLog:
    """Middleware: gives each answer its ``X-Request-Id`` (the caller's if it sent one) and logs it."""

    def __init__(self, app: ASGIApp) -> None:
        """Wrap ``app``."""
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        exchange = _Exchange(scope, send)
        try:
            await self._app(scope, receive, exchange.send)
        except Exception as error:  # noqa: BLE001 - nothing may leave the service without an answer
            exchange.broken(error)
            if exchange.status == 0:
                await error_answer(error, HTTPConnection(scope))(scope, receive, exchange.send)
        finally:
            exchange.log()


class _Exchange:
    """One request and its answer, as far as the log may know them."""

    def __init__(self, scope: Scope, send: Send) -> None:
        self._scope = scope
        self._send = send
        self._begun = time.perf_counter()
        self.status = 0
        sent_id = Headers(scope=scope).get("x-request-id", "")
        self.request_id = sent_id if _FINE_ID.fullmatch(sent_id) else secrets.token_hex(8)

    async def send(self, message: Message) -> None:
        if message["type"] == "http.response.start":
            self.status = message["status"]
            headers = MutableHeaders(scope=message)
            headers["X-Request-Id"] = self.request_id
            headers.setdefault("Cache-Control", "no-store")  # answers are about people
            headers.setdefault("X-Content-Type-Options", "nosniff")
        elif self._scope["method"] == "HEAD" and message["type"] == "http.response.body":
            message = {**message, "body": b""}
        await self._send(message)

    def broken(self, error: Exception) -> None:
        """Write where it broke. The exception's own words may quote a patient and stay out."""
        trace = traceback.extract_tb(error.__traceback__)
        frames = [f"{frame.filename}:{frame.lineno} {frame.name}" for frame in trace]
        self._write(logging.ERROR, error=type(error).__name__, frames=frames)

    def log(self) -> None:
        milliseconds = round((time.perf_counter() - self._begun) * 1000, 1)
        route = _template(self._scope)
        self._write(
            logging.INFO, method=self._scope["method"], route=route, status=self.status, ms=milliseconds
        )

    def _write(self, level: int, **fields: Any) -> None:
        _log.log(level, "%s", msgspec.json.encode({**fields, "request_id": self.request_id}).decode())


def _template(scope: Scope) -> str:
    """The path of the route that was chosen, with names where an address has values."""
    chosen = scope.get("route")
    if chosen is None and "endpoint" in scope:  # FastAPI names its own routes alone
        routes = scope["app"].routes
        chosen = next(
            (route for route in routes if getattr(route, "endpoint", None) is scope["endpoint"]), None
        )
    return getattr(chosen, "path", "unmatched")
