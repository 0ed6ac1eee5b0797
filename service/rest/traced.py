"""The ring around the request log in which requests are told as spans, where somebody follows them."""

from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.correlation import SPANS, Spans
from service.rest.fields import sent_field
from service.rest.request_log import TRACE_ID, template

__all__ = ["Traced"]


class Traced:
    """The ASGI application with a span for each request."""

    def __init__(self, app: ASGIApp, spans: Spans) -> None:
        """Tell ``spans`` of what ``app`` answers."""
        self._app = app
        self._spans = spans

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request."""
        status = 0

        async def noted(message: Message) -> None:
            nonlocal status
            status = message.get("status", status)
            await send(message)

        known = SPANS.set(self._spans)
        try:
            with self._spans.request(scope["method"], sent_field(scope, "traceparent")) as span:
                scope[TRACE_ID] = span.trace_id
                try:
                    await self._app(scope, receive, noted)
                finally:
                    span.answered(template(scope), status)
        finally:
            SPANS.reset(known)
