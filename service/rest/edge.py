"""The rings around the routes: limits of the address, and pages of other hosts (CORS)."""

from typing import Any

from starlette.datastructures import Headers
from starlette.middleware.cors import CORSMiddleware
from starlette.requests import HTTPConnection
from starlette.responses import Response
from starlette.types import ASGIApp, Receive, Scope, Send

from service.errors import AddressTooLong, Forbidden
from service.rest.errors import error_answer

__all__ = ["AddressLimit", "CrossOrigin", "cross_origin"]

_METHODS = ("GET", "HEAD", "POST", "PUT", "PATCH", "DELETE")
_SENT = (
    "Accept",
    "Authorization",
    "Content-Type",
    "If-Match",
    "If-Modified-Since",
    "If-None-Exist",
    "If-None-Match",
    "Prefer",
    "X-Request-Id",
)
_SHOWN = ("Content-Location", "ETag", "Last-Modified", "Location", "Preference-Applied", "X-Request-Id")


class AddressLimit:
    """Middleware: refuses addresses longer than ``limit`` bytes before anything reads them."""

    def __init__(self, app: ASGIApp, *, limit: int) -> None:
        """Wrap ``app``."""
        self._app = app
        self._limit = limit

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request."""
        if scope["type"] == "http" and self._length(scope) > self._limit:
            text = f"The address is longer than {self._limit} bytes; send the search as a form to '_search'."
            await error_answer(AddressTooLong(text), HTTPConnection(scope))(scope, receive, send)
            return
        await self._app(scope, receive, send)

    @staticmethod
    def _length(scope: Scope) -> int:
        return len(scope.get("raw_path") or scope["path"]) + len(scope["query_string"])


class CrossOrigin(CORSMiddleware):
    """CORS whose refusals are OperationOutcomes like every other."""

    def preflight_response(self, request_headers: Headers) -> Response:
        """Answer the question a browser asks before the call itself."""
        answer = super().preflight_response(request_headers)
        if answer.status_code == 200:
            return answer
        refused = error_answer(Forbidden("Pages of this origin may not call this service."))
        refused.headers["Vary"] = "Origin"
        return refused


def cross_origin(origins: tuple[str, ...]) -> dict[str, Any]:
    """What pages of ``origins`` (``https://app.example.org``) may send and see; tokens, never cookies."""
    return {
        "allow_origins": origins,
        "allow_methods": _METHODS,
        "allow_headers": _SENT,
        "expose_headers": _SHOWN,
        "max_age": 3_600,
    }
