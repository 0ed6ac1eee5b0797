"""The server's reader and writer of HTTP, where uvicorn's own does not do.

What is no HTTP is refused as FHIR does, in bounded memory; an answer's head and body leave together.
"""

import asyncio
from typing import Any, cast

from starlette.types import ASGIApp, Message, Receive, Scope, Send
from uvicorn.protocols.http.httptools_impl import STATUS_LINE, HttpToolsProtocol, RequestResponseCycle

from service.errors import InvalidInput, ServiceError, TooBusy, TooSlow
from service.rest.errors import error_answer

__all__ = ["Protocol", "limited"]

_LONGEST_HEAD = 64 * 1024
"""Bytes of a request's line and header fields; its reader keeps them all until the last has come."""
_MOST_KEPT = 64 * 1024
"""Bytes of answers from which on nothing waits for the end of the round."""
_CONTROL = bytes([*range(9), *range(10, 32), 127])
"""What no header line holds besides its end (RFC 9110 section 5.5)."""
_FRAMING = frozenset({b"connection", b"transfer-encoding"})


class _Gathered(asyncio.Transport):
    """A connection's way out: what is written in one round of the event loop leaves in one system call.

    uvicorn writes the head and the body of an answer apart, and a system call takes as long as all that is
    done to find the answer. Of a transport this is what uvicorn's answers use; reading and the flow of long
    answers are settled with the connection itself.
    """

    def __init__(self, connection: asyncio.Transport, loop: asyncio.AbstractEventLoop) -> None:
        super().__init__()
        self._connection = connection
        self._loop = loop
        self._kept: list[bytes | bytearray | memoryview] = []
        self._size = 0

    def write(self, data: bytes | bytearray | memoryview) -> None:
        if not self._kept:
            self._loop.call_soon(self._send)
        self._kept.append(data)
        self._size += len(data)
        if self._size > _MOST_KEPT:
            self._send()

    def _send(self) -> None:
        kept, self._kept, self._size = self._kept, [], 0
        if kept and not self._connection.is_closing():
            self._connection.writelines(kept)

    def write_whole(self, data: bytes) -> None:
        """Write an answer that nothing follows, behind what waits."""
        (self.write if self._kept else self._connection.write)(data)

    def is_closing(self) -> bool:
        return self._connection.is_closing()

    def close(self) -> None:
        self._send()
        self._connection.close()


class _Whole:
    """The application for one request: an answer that is whole is written here, any other by uvicorn.

    uvicorn looks at each name and value by an expression of its own, which takes longer than writing them.
    """

    __slots__ = ("_app", "_cycle", "_head")

    def __init__(self, app: ASGIApp, cycle: RequestResponseCycle) -> None:
        self._app = app
        self._cycle = cycle
        self._head: Message | None = None

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        try:
            await self._app(scope, receive, self._sent)
        finally:
            if self._head is not None:  # nothing came behind it
                await send(self._head)

    async def _sent(self, message: Message) -> None:
        cycle, head = self._cycle, self._head
        if head is None:
            if message["type"] == "http.response.start" and not cycle.response_started:
                self._head = message
                return
        else:
            self._head = None
            if (text := _text(cycle, head, message)) is not None:
                _write(cycle, text)
                return
            await cycle.send(cast("Any", head))
        await cycle.send(cast("Any", message))


def _text(cycle: RequestResponseCycle, head: Message, message: Message) -> bytes | None:
    """The whole answer on a connection that stays; None if it is no such answer, or has to wait."""
    body, fields = message.get("body", b""), [*cycle.default_headers, *head.get("headers", ())]
    named = dict(fields)
    if (
        message.get("more_body")
        or named.get(b"content-length") != b"%d" % len(body)
        or not _FRAMING.isdisjoint(named)
        or cycle.scope["method"] == "HEAD"
        or not cycle.keep_alive
        or cycle.disconnected
        or cycle.flow.write_paused
    ):
        return None
    lines = b"\r\n".join([b"%s: %s" % one for one in fields])
    if len(lines.translate(None, _CONTROL)) != len(lines) - 2 * len(fields) + 2:
        return None  # uvicorn says what is wrong with it
    return b"%s%s\r\n\r\n%s" % (STATUS_LINE[head["status"]], lines, body)


def _write(cycle: RequestResponseCycle, text: bytes) -> None:
    cycle.waiting_for_100_continue = False
    cycle.response_started = cycle.response_complete = True
    cast("_Gathered", cycle.transport).write_whole(text)
    cycle.message_event.set()
    cycle.on_response()


class Protocol(HttpToolsProtocol):
    """One connection. What can't be read as HTTP/1.1 is answered with an OperationOutcome and closed."""

    most = 2_000
    """Connections at once; who comes after them is told so and sent away."""
    head_s = 30.0
    """Seconds in which a request's line and header fields must have come."""

    def __init__(self, *arguments: Any, **named: Any) -> None:
        """See uvicorn."""
        super().__init__(*arguments, **named)
        self._in_head = False
        self._head_size = 0
        self._patience: asyncio.TimerHandle | None = None
        self._idle_since: float | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Begin a connection."""
        super().connection_made(transport)
        self.transport = _Gathered(transport, self.loop)
        self._wait()
        if len(self.connections) > self.most:
            self._end(503, TooBusy("The service has too many connections at this moment; try again."))

    def connection_lost(self, exc: Exception | None) -> None:
        """End a connection."""
        self._stop_waiting()
        if self.timeout_keep_alive_task is not None:
            self.timeout_keep_alive_task.cancel()
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        """Read what arrived."""
        if self.transport.is_closing():
            return
        self._idle_since = None
        super().data_received(data)
        if self._in_head and not self.transport.is_closing():
            self._wait()
            self._head_size += len(data)
            if self._head_size > _LONGEST_HEAD:
                self.send_400_response("")

    def on_message_begin(self) -> None:
        """Begin a request."""
        super().on_message_begin()
        self._in_head, self._head_size = True, 0

    def on_headers_complete(self) -> None:
        """End a request's header fields."""
        self._in_head = False
        self._stop_waiting()
        super().on_headers_complete()

    def on_response_complete(self) -> None:
        """End an answer; a connection that asks nothing more is closed in time."""
        if self.pipeline or self.transport.is_closing():
            super().on_response_complete()
            return
        self.server_state.total_requests += 1
        self.flow.resume_reading()
        self._idle_since = self.loop.time()
        if self.timeout_keep_alive_task is None:
            self._look_again(self.timeout_keep_alive)

    def timeout_keep_alive_handler(self) -> None:
        """Close the connection if it has asked nothing for so long."""
        self.timeout_keep_alive_task = None
        if self._idle_since is None:
            return  # the end of its answer begins to wait anew
        left = self._idle_since + self.timeout_keep_alive - self.loop.time()
        if left > 0:
            self._look_again(left)
        else:
            super().timeout_keep_alive_handler()

    def _look_again(self, seconds: float) -> None:
        self.timeout_keep_alive_task = self.loop.call_later(seconds, self.timeout_keep_alive_handler)

    def _unset_keepalive_if_required(self) -> None:
        """One timer serves all answers of a connection, as setting it and taking it back takes longer."""

    def _start_asgi_task(self, cycle: RequestResponseCycle, app: Any) -> None:
        super()._start_asgi_task(cycle, cast("Any", _Whole(app, cycle)))

    def send_400_response(self, msg: str) -> None:  # noqa: ARG002 - uvicorn's sentence helps nobody
        """Refuse what can't be read, and close the connection: where the next request begins is not known."""
        problem = (
            "This is no request of HTTP/1.1, or its line and header fields are longer than "
            f"{_LONGEST_HEAD} bytes."
        )
        self._end(400, InvalidInput(problem))

    def _wait(self) -> None:
        """Begin to wait for the end of a head, unless that has begun."""
        if self._patience is None:
            self._patience = self.loop.call_later(self.head_s, self._give_up)

    def _stop_waiting(self) -> None:
        if self._patience is not None:
            self._patience.cancel()
            self._patience = None

    def _give_up(self) -> None:
        self._patience = None
        if not self.transport.is_closing():
            self._end(408, TooSlow(f"No whole request had come after {self.head_s:g} seconds."))

    def _end(self, status: int, problem: ServiceError) -> None:
        """Answer a problem and close the connection."""
        answer = error_answer(problem)
        fields = [one for one in answer.raw_headers if one[0].lower() != b"connection"]
        lines = [STATUS_LINE[status].rstrip(), *(b"%s: %s" % one for one in fields)]
        self.transport.write(b"\r\n".join([*lines, b"connection: close", b"", bytes(answer.body)]))
        self.transport.close()


def limited(most: int, head_s: float) -> type[Protocol]:
    """The protocol of at most ``most`` connections, which wait ``head_s`` seconds for a request."""
    return type("LimitedProtocol", (Protocol,), {"most": most, "head_s": head_s})
