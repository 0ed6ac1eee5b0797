"""Pages of other hosts (CORS)."""

from typing import Any

from starlette.datastructures import Headers
from starlette.middleware.cors import CORSMiddleware
from starlette.responses import Response

from service.errors import Forbidden
from service.rest.errors import error_answer

__all__ = ["CrossOrigin", "cross_origin"]

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
    "X-Provenance",
    "X-Request-Id",
)
_SHOWN = ("Content-Location", "ETag", "Last-Modified", "Location", "Preference-Applied", "X-Request-Id")


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
