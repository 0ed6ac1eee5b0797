"""The ring in which every request is recorded: durable before the head of its answer leaves.

What a request wrote was recorded in its own transaction; the rest is recorded here: reads, searches, pages,
and whatever was refused. Addresses that hold nothing about anybody are not recorded.
"""

import asyncio
import logging
from typing import cast

from starlette.requests import HTTPConnection
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.errors import ServiceError, StoreUnavailable
from service.rest.accesses import complete
from service.rest.call import Services
from service.rest.errors import error_answer
from service.rest.fields import network_address
from service.rest.request_log import request_id
from service.security.audit import request_facts
from service.security.audit_event import events_of

__all__ = ["Audited"]

_log = logging.getLogger("service.audit")
_PATIENCE_S = 0.5
"""How long an answer that leaves anyway waits for being recorded, which goes on without it."""
_OPEN = frozenset({"/openapi.json"})
"""Addresses of the framework's own that hold nothing about anybody."""
_BATCH = "batch"
"""Each of its writes was recorded; that it was asked for, and what it read, is recorded beside them."""


class Audited:
    """The ASGI application around those whose answers are recorded."""

    def __init__(self, app: ASGIApp, *, refuse: bool, trust_forwarded: bool = False) -> None:
        """Record what ``app`` answers.

        ``refuse``: an answer that can't be recorded does not leave; else it does, after an alarm in the log.
        """
        self._app = app
        self._refuse = refuse
        self._trust_forwarded = trust_forwarded
        self.failures = 0

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request."""
        exchange = _Exchange(scope, receive, send, refuse=self._refuse)
        exchange.facts.request = request_id(scope)
        exchange.facts.address = network_address(scope, trust_forwarded=self._trust_forwarded)
        try:
            await self._app(scope, receive, exchange.send)
        except Exception:
            await exchange.broken()
            raise
        finally:
            self.failures += exchange.unrecorded


class _Exchange:
    """One request and its answer."""

    def __init__(self, scope: Scope, receive: Receive, send: Send, *, refuse: bool) -> None:
        self._scope = scope
        self._receive = receive
        self._send = send
        self._refuse = refuse
        self._begun = self._refused = False
        self.unrecorded = False
        self.facts = request_facts(scope)

    async def send(self, message: Message) -> None:
        if self._begun:
            if not self._refused:
                await self._send(message)
            return
        self._begun = True
        problem = await self._recorded(message)
        if problem is None or not self._refuse or message["status"] >= 500:
            await self._send(message)
            return
        self._refused = True
        await error_answer(problem, HTTPConnection(self._scope))(self._scope, self._receive, self._send)

    async def broken(self) -> None:
        """The application raised; whoever answers that stands outside of this ring."""
        if not self._begun:
            await self._recorded({"status": 500})

    async def _recorded(self, answer: Message) -> ServiceError | None:
        """Record the answer that begins with a message; answers what kept it out."""
        facts, status = self.facts, answer["status"]
        if (
            not facts.audited
            or self._scope["path"] in _OPEN
            or (facts.kept and status < 400 and facts.subtype != _BATCH)
        ):
            return None
        complete(facts, self._scope, answer)
        store = cast("Services", self._scope["app"].services).store
        recorded = store.audit(events_of(facts, status))
        try:
            await (recorded if self._refuse else asyncio.wait_for(recorded, _PATIENCE_S))
        except (ServiceError, TimeoutError) as problem:
            self.unrecorded = True
            _log.critical("AUDIT FAILURE: an access could not be recorded (%s)", type(problem).__name__)
            return StoreUnavailable(
                "This access can't be recorded now, and nothing is answered unrecorded; try again."
            )
        return None
