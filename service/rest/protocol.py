"""The server's reader of HTTP, where it meets what is no HTTP: refused as FHIR does, in bounded memory."""

from typing import Any

from uvicorn.protocols.http.httptools_impl import HttpToolsProtocol

from service.errors import InvalidInput
from service.rest.errors import error_answer

__all__ = ["Protocol"]

_LONGEST_HEAD = 64 * 1024
"""Bytes of a request's line and header fields; its reader keeps them all until the last has come."""


class Protocol(HttpToolsProtocol):
    """One connection. What can't be read as HTTP/1.1 is answered with an OperationOutcome and closed."""

    def __init__(self, *arguments: Any, **named: Any) -> None:
        """See uvicorn."""
        super().__init__(*arguments, **named)
        self._in_head = False
        self._head_size = 0

    def data_received(self, data: bytes) -> None:
        """Read what arrived."""
        super().data_received(data)
        if self._in_head and not self.transport.is_closing():
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
        super().on_headers_complete()

    def send_400_response(self, msg: str) -> None:  # noqa: ARG002 - uvicorn's sentence helps nobody
        """Refuse what can't be read, and close the connection: where the next request begins is not known."""
        answer = error_answer(
            InvalidInput(
                "This is no request of HTTP/1.1, or its line and header fields are longer than "
                f"{_LONGEST_HEAD} bytes."
            )
        )
        lines = [b"HTTP/1.1 400 Bad Request", *(b"%s: %s" % one for one in answer.raw_headers)]
        self.transport.write(b"\r\n".join([*lines, b"connection: close", b"", bytes(answer.body)]))
        self.transport.close()
