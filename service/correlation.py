"""What belongs to the request that is answered now, for what is done and asked of others because of it."""

from collections.abc import Iterator, Mapping
from contextlib import AbstractContextManager, contextmanager, nullcontext
from contextvars import ContextVar
from typing import Protocol

from service.errors import ServiceError

__all__ = ["REQUEST_ID", "SPANS", "RequestSpan", "Spans", "asked_of", "open_spans", "within"]


class RequestSpan(Protocol):
    """The span of one request while it is answered."""

    @property
    def trace_id(self) -> str:
        """The trace it belongs to, 32 hexadecimal digits; empty if there is none."""
        ...

    def answered(self, route: str, status: int) -> None:
        """Tell how it ended; ``route`` is the template of its address, a status of 0 is no answer."""
        ...


class Spans(Protocol):
    """Tells what is done, and how long it takes, to whoever follows a request."""

    def request(self, method: str, traceparent: str = "") -> AbstractContextManager[RequestSpan]:
        """A span of a request, within the trace that its caller names, if it names one."""
        ...

    def within(self, name: str, told: Mapping[str, str]) -> AbstractContextManager[object]:
        """A span of something that is done for it; ``told`` says more of it, in words of our own."""
        ...

    def asked(self, method: str, host: str) -> AbstractContextManager[Mapping[str, str]]:
        """A span of what is asked of another; answers the header fields that name it there."""
        ...

    async def close(self) -> None:
        """Send what waits, and tell nothing more."""
        ...


REQUEST_ID: ContextVar[str] = ContextVar("request_id", default="")
"""The id of the request; empty where nothing was requested."""
SPANS: ContextVar[Spans | None] = ContextVar("spans", default=None)
"""Who is told of it; None where nobody is."""


def open_spans() -> Spans:
    """Answer who is told by OpenTelemetry; ServiceError if its library is not there."""
    try:
        from service.tracing import Tracing  # noqa: PLC0415 - its library is an optional dependency
    except ModuleNotFoundError as error:
        raise ServiceError(
            "SWALLOW_TRACING needs more packages: pip install 'swallow-interop[otel]'."
        ) from error
    return Tracing()


def within(name: str, told: Mapping[str, str]) -> AbstractContextManager[object]:
    """A span of something that is done; none where nobody is told."""
    spans = SPANS.get()
    return spans.within(name, told) if spans else nullcontext()


@contextmanager
def asked_of(host: str, method: str) -> Iterator[Mapping[str, str]]:
    """A span of what is asked of another; answers the header fields by which it is found there.

    ``X-Request-Id`` is the one of the request, ``traceparent`` that of W3C Trace Context.
    """
    spans, known = SPANS.get(), REQUEST_ID.get()
    fields = {"X-Request-Id": known} if known else {}
    with spans.asked(method, host) if spans else nullcontext({}) as more:
        yield {**fields, **more}
