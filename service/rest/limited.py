"""The ring that keeps the service answering: how many at once, how often without a token, how slowly.

It stands outside of the audit trail, so that a flood of refusals writes nothing.
"""

import asyncio
from collections.abc import Callable
from dataclasses import dataclass
from http.cookies import CookieError, SimpleCookie
from typing import Any, cast

from starlette.requests import HTTPConnection
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.errors import ServiceError, TooBusy, TookTooLong, TooSlow
from service.rest.errors import error_answer
from service.rest.fields import network_address, sent_field
from service.security.pace import Pace

__all__ = ["Limited", "Limits", "TimeLimit"]

_ALWAYS = frozenset({"/health/live", "/health/ready"})
"""Whoever watches the service must not be told that it is gone when it is busy."""
_TOKENS = "/oauth/token"
"""Where a refusal is 400 as well (RFC 6749 section 5.2)."""
_SIGN_INS = "/app/login/"
"""Where people come back to from where they signed in."""
_REFUSALS = frozenset({400, 401})
_GIVEN_UP = 0.0
"""Stands where the end of a request's time stood."""


@dataclass(frozen=True, slots=True)
class Limits:
    """What one process lets through.

    ``anonymous`` counts requests without a token by address, ``failures`` log-ins that failed; an address
    that failed too often is heard only with tokens that were ``believed`` before. ``cookies`` are where the
    page keeps its token. ``most`` requests are in work at once; a body must have come after ``receive_s``
    seconds.
    """

    anonymous: Pace
    failures: Pace
    believed: Callable[[str], bool]
    cookies: tuple[str, ...]
    most: int
    receive_s: float
    trust_forwarded: bool = False


class Limited:
    """The ASGI application behind its limits."""

    def __init__(self, app: ASGIApp, limits: Limits) -> None:
        """Let requests through to ``app``."""
        self._app = app
        self._limits = limits
        self._in_work = 0

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request, or refuse it."""
        if scope["path"] in _ALWAYS:
            await self._app(scope, receive, send)
            return
        token = _token(scope, self._limits.cookies)
        try:
            self._admit(scope, token)
        except ServiceError as error:
            await error_answer(error, HTTPConnection(scope))(scope, receive, send)
            return

        async def counted(message: Message) -> None:
            if message["type"] == "http.response.start" and message["status"] in _REFUSALS:
                self._count(scope, message["status"], token)
            await send(message)

        self._in_work += 1
        try:
            await self._app(scope, _in_time(receive, self._limits.receive_s), counted)
        finally:
            self._in_work -= 1

    def _admit(self, scope: Scope, token: str) -> None:
        limits = self._limits
        if self._in_work >= limits.most:
            raise TooBusy("The service has too much to do at this moment; try again.")
        address = network_address(scope, trust_forwarded=limits.trust_forwarded)
        if not token:
            limits.anonymous.take(address)
        if _logs_in(scope, token) and limits.failures.wait(address) and not limits.believed(token):
            limits.failures.ask(address)

    def _count(self, scope: Scope, status: int, token: str) -> None:
        """Count a log-in that failed."""
        if _logs_in(scope, token) and (status == 401 or scope["path"] == _TOKENS):
            self._limits.failures.count(network_address(scope, trust_forwarded=self._limits.trust_forwarded))


def _logs_in(scope: Scope, token: str) -> bool:
    """Whether a request says who asks: by a token, by a form, or by what a provider says of them."""
    return bool(token) or scope["method"] == "POST" or scope["path"].startswith(_SIGN_INS)


def _token(scope: Scope, cookies: tuple[str, ...]) -> str:
    """The token a request carries, empty if it has none."""
    if bearer := sent_field(scope, "authorization"):
        return bearer.partition(" ")[2].strip()
    if not (sent := sent_field(scope, "cookie")):
        return ""
    try:
        found = SimpleCookie(sent)
    except CookieError:
        return ""
    return next((found[name].value for name in cookies if name in found), "")


def _in_time(receive: Receive, seconds: float) -> Receive:
    """Wait for a body so long from when it is asked for; after it only for the end of the connection."""
    whole = False
    end: float | None = None

    async def received() -> Message:
        nonlocal whole, end
        if whole:
            return await receive()
        end = end or asyncio.get_running_loop().time() + seconds
        try:
            async with asyncio.timeout_at(end):
                message = await receive()
        except TimeoutError:
            raise TooSlow(f"The body had not come after {seconds:g} seconds; send it faster.") from None
        whole = not message.get("more_body", False)
        return message

    return received


class TimeLimit:
    """The ASGI application whose answers begin in time.

    All may take equally long, so one timer, for whoever has waited longest, does for all of them.
    """

    def __init__(self, app: ASGIApp, seconds: float, stopping: Callable[[], bool] = lambda: False) -> None:
        """Give ``app`` so many seconds from the request to the beginning of its answer.

        ``stopping``: whether the server was told to stop; it cancels what it can't wait for any longer.
        """
        self._app = app
        self._stopping = stopping
        self._seconds = seconds
        self._waiting: dict[asyncio.Task[Any], float] = {}
        self._watched = False

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request."""
        task = self._wait()

        async def sent(message: Message) -> None:
            self._waiting.pop(task, None)
            await send(message)

        try:
            await self._app(scope, receive, sent)
        except asyncio.CancelledError:
            end = self._waiting.get(task)
            late = end == _GIVEN_UP
            if end is None or not (late or self._stopping()) or task.uncancel():
                raise
            why = f"after {self._seconds:g} seconds" if late else "as the service stops"
            error = TookTooLong(
                f"This was given up {why}. Whether a write was kept is not known: repeat it with a condition."
            )
            await error_answer(error, HTTPConnection(scope))(scope, receive, send)
        finally:
            self._waiting.pop(task, None)

    def _wait(self) -> asyncio.Task[Any]:
        """Begin to count the time of the task that runs."""
        loop = asyncio.get_running_loop()
        task = cast("asyncio.Task[Any]", asyncio.current_task())
        self._waiting[task] = loop.time() + self._seconds
        if not self._watched:
            self._watched = True
            loop.call_later(self._seconds, self._watch)
        return task

    def _watch(self) -> None:
        """Give up whoever has waited too long, and look again when the next may have."""
        loop = asyncio.get_running_loop()
        for task, end in self._waiting.items():
            if end == _GIVEN_UP:
                continue
            if end > loop.time():
                loop.call_at(end, self._watch)
                return
            self._waiting[task] = _GIVEN_UP
            task.cancel()
        self._watched = False
