"""Spans of what the service does, by OpenTelemetry: the only file that knows its library (extra ``otel``).

A span tells the template of a route, a method, a status, the kind of the store's work or the host that was
asked: nothing that a caller chose and nothing about anybody. An exception is told by its class, as its words
may quote a record. Of what callers send only ``traceparent`` counts (W3C Trace Context): ``tracestate`` and
baggage may hold anything and are left behind.

Where spans go to, how many are kept and what the service is called there say OpenTelemetry's own variables
(OTEL_EXPORTER_OTLP_ENDPOINT, OTEL_TRACES_SAMPLER, OTEL_SERVICE_NAME and so on), which its library reads.
"""

import asyncio
from collections.abc import Iterator, Mapping
from contextlib import contextmanager

from opentelemetry.context import Context
from opentelemetry.exporter.otlp.proto.http.trace_exporter import OTLPSpanExporter
from opentelemetry.sdk.resources import SERVICE_NAME, SERVICE_VERSION, OTELResourceDetector, Resource
from opentelemetry.sdk.trace import TracerProvider
from opentelemetry.sdk.trace.export import BatchSpanProcessor, SpanExporter
from opentelemetry.trace import Span, SpanKind, Status, StatusCode, format_trace_id
from opentelemetry.trace.propagation.tracecontext import TraceContextTextMapPropagator

from service import __version__

__all__ = ["Tracing"]

_METHODS = frozenset({"GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS"})
_CONTEXT = TraceContextTextMapPropagator()
_OURS = Resource({SERVICE_NAME: "swallow-interop", SERVICE_VERSION: __version__})


class _RequestSpan:
    """See RequestSpan; the method stays what it was."""

    def __init__(self, span: Span, method: str) -> None:
        self._span = span
        self._method = method

    @property
    def trace_id(self) -> str:
        context = self._span.get_span_context()
        return format_trace_id(context.trace_id) if context.is_valid else ""

    def answered(self, route: str, status: int) -> None:
        self._span.update_name(f"{self._method} {route}")
        self._span.set_attribute("http.route", route)
        self._span.set_attribute("http.response.status_code", status)
        if status >= 500 or not status:
            self._span.set_status(Status(StatusCode.ERROR))


class Tracing:
    """Spans as OpenTelemetry tells them."""

    def __init__(self, exporter: SpanExporter | None = None) -> None:
        """Send spans to ``exporter``; without one where OpenTelemetry's variables say, as OTLP over HTTP."""
        self._provider = TracerProvider(
            resource=_OURS.merge(OTELResourceDetector().detect()), shutdown_on_exit=False
        )
        self._provider.add_span_processor(BatchSpanProcessor(exporter or OTLPSpanExporter()))
        self._tracer = self._provider.get_tracer("service", __version__)

    @contextmanager
    def request(self, method: str, traceparent: str = "") -> Iterator[_RequestSpan]:
        """See Spans."""
        known = method if method in _METHODS else "_OTHER"  # callers may make up any
        caller = _CONTEXT.extract({"traceparent": traceparent})
        with self._begun(known, SpanKind.SERVER, {"http.request.method": known}, caller) as span:
            yield _RequestSpan(span, known)

    @contextmanager
    def within(self, name: str, told: Mapping[str, str]) -> Iterator[Span]:
        """See Spans."""
        with self._begun(name, SpanKind.INTERNAL, told) as span:
            yield span

    @contextmanager
    def asked(self, method: str, host: str) -> Iterator[Mapping[str, str]]:
        """See Spans."""
        fields: dict[str, str] = {}
        told = {"http.request.method": method, "server.address": host}
        with self._begun(method, SpanKind.CLIENT, told):
            _CONTEXT.inject(fields)
            fields.pop("tracestate", None)
            yield fields

    async def close(self) -> None:
        """See Spans; a collector that does not answer is waited for no longer than its variables say."""
        await asyncio.to_thread(self._provider.shutdown)

    @contextmanager
    def _begun(
        self, name: str, kind: SpanKind, told: Mapping[str, str], caller: Context | None = None
    ) -> Iterator[Span]:
        with self._tracer.start_as_current_span(
            name, caller, kind, told, record_exception=False, set_status_on_exception=False
        ) as span:
            try:
                yield span
            except Exception as error:
                span.set_attribute("error.type", type(error).__name__)
                span.set_status(Status(StatusCode.ERROR))
                raise
