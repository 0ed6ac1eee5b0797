"""A request that is followed: its spans at a collector, its log line, and what others are asked for it.

Collector and terminology server are one small server of the test, reached over the network as real ones are.
"""

import json
import logging
import shutil
import sys
import threading
from collections.abc import AsyncIterator, Iterator
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest
from httpx import ASGITransport, AsyncClient
from joserfc import jwt
from joserfc.jwk import ECKey
from opentelemetry.proto.collector.trace.v1.trace_service_pb2 import ExportTraceServiceRequest
from opentelemetry.proto.trace.v1.trace_pb2 import Span, Status
from running_apps import NOW

from service.app import Service, create_app
from service.correlation import REQUEST_ID, SPANS
from service.errors import ServiceError
from service.settings import Settings

pytestmark = pytest.mark.anyio

KEY = ECKey.generate_key("P-256", auto_kid=True)
ISSUER, AUDIENCE, APP = "https://login.example.org", "https://swallow.example.org/fhir", "rehab-app"
TRACE, CALLER = "4bf92f3577b34da6a3ce929d0e0e4736", "00f067aa0ba902b7"
FOLLOWED = {
    "traceparent": f"00-{TRACE}-{CALLER}-01",
    "tracestate": "vendor=quetzalcoatl",
    "baggage": "name=quetzalcoatl",
    "X-Request-Id": "call-7",
}
PERSON = {
    "resourceType": "Patient",
    "id": "quetzalcoatl",
    "name": [{"family": "Quetzalcoatl"}],
    "birthDate": "1931-07-23",
}
BATCH = {
    "resourceType": "Bundle",
    "type": "batch",
    "entry": [
        {"request": {"method": "PUT", "url": "Quetzalcoatl/1"}, "resource": PERSON},
        {"request": {"method": "DELETE", "url": "Quetzalcoatl?name=quetzalcoatl"}},
        {"request": {"method": "GET", "url": "Quetzalcoatl?name=quetzalcoatl"}},
    ],
}
LOOKUP = "/fhir/CodeSystem/$lookup?system=http://snomed.info/sct&code=71388002"


@dataclass
class Elsewhere:
    """A server of the test, and what it was sent."""

    url: str = ""
    spans: list[Span] = field(default_factory=list)
    service: str = ""
    sent: bytes = b""
    asked: list[dict[str, str]] = field(default_factory=list)

    def take(self, body: bytes) -> None:
        self.sent += body
        for one in ExportTraceServiceRequest.FromString(body).resource_spans:
            told = {pair.key: pair.value.string_value for pair in one.resource.attributes}
            self.service = told["service.name"]
            self.spans += [span for scope in one.scope_spans for span in scope.spans]

    def named(self, name: str) -> Span:
        (found,) = [span for span in self.spans if span.name == name]
        return found


@pytest.fixture
def elsewhere() -> Iterator[Elsewhere]:
    known = Elsewhere()

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            known.take(self.rfile.read(int(self.headers["content-length"])))
            self._answer(200)

        def do_GET(self) -> None:
            known.asked.append({name.lower(): value for name, value in self.headers.items()})
            self._answer(404)

        def _answer(self, status: int) -> None:
            self.send_response(status)
            self.send_header("Content-Length", "0")
            self.end_headers()

        def log_message(self, *_: object) -> None:
            """Nothing."""

    with ThreadingHTTPServer(("127.0.0.1", 0), Handler) as server:
        server.daemon_threads = True
        known.url = f"http://127.0.0.1:{server.server_port}"
        threading.Thread(target=server.serve_forever, args=(0.02,), daemon=True).start()
        yield known
        server.shutdown()


@pytest.fixture
def settings(tmp_path: Path, key_file: Path, elsewhere: Elsewhere) -> Settings:
    shutil.copy2(key_file, tmp_path)
    (tmp_path / "keys.json").write_text(json.dumps({"keys": [KEY.as_dict(private=False)]}))
    listed = {"issuer": ISSUER, "audience": AUDIENCE, "jwks": "keys.json"}
    (tmp_path / "issuers.json").write_text(json.dumps([listed]))
    return Settings(
        data_dir=tmp_path,
        issuers=str(tmp_path / "issuers.json"),
        terminology_url=f"{elsewhere.url}/fhir",
        outgoing_hosts="127.0.0.1",
        tracing=True,
    )


@pytest.fixture
async def followed(
    settings: Settings,
    elsewhere: Elsewhere,
    monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
) -> AsyncIterator[Service]:
    monkeypatch.setenv("OTEL_EXPORTER_OTLP_ENDPOINT", elsewhere.url)
    monkeypatch.setenv("OTEL_SERVICE_NAME", "ward-3")
    caplog.set_level(logging.INFO)
    return create_app(settings, clock=lambda: NOW)


def caller(app: Service) -> AsyncClient:
    now = int(NOW.timestamp())
    claims = {"iss": ISSUER, "aud": AUDIENCE, "sub": "x", "azp": APP, "iat": now, "exp": now + 600}
    claims["scope"] = "system/*.cruds"
    token = jwt.encode({"alg": "ES256", "kid": KEY.kid}, claims, KEY, algorithms=["ES256"])
    headers = {"Authorization": f"Bearer {token}"}
    return AsyncClient(transport=ASGITransport(app), base_url="http://test", headers=headers)


async def _asked(app: Service) -> None:
    """Everything a request can carry is asked for, and the service has stopped, which sends what waits."""
    async with app.router.lifespan_context(app), caller(app) as client:
        assert (await client.put("/fhir/Patient/quetzalcoatl", json=PERSON)).status_code == 201
        assert (await client.get("/fhir/Patient?name=Quetzalcoatl&birthdate=1931-07-23")).status_code == 200
        assert (await client.get(LOOKUP, headers=FOLLOWED)).status_code == 422
        assert (await client.get("/fhir/Quetzalcoatl/quetzalcoatl")).status_code == 404
        assert (await client.get("/quetzalcoatl")).status_code == 404
        assert (await client.request("QUETZALCOATL", "/fhir/Patient/quetzalcoatl")).status_code == 405
        bad = PERSON | {"gender": "Quetzalcoatl"}
        assert (await client.put("/fhir/Patient/quetzalcoatl", json=bad)).status_code == 400
        assert (await client.post("/fhir", json=BATCH)).status_code == 200
        app.services.readiness.stopping = True
        assert (await client.get("/health/ready")).status_code == 503
    assert (REQUEST_ID.get(), SPANS.get()) == ("", None)


def _told(span: Span) -> dict[str, Any]:
    return {pair.key: pair.value.string_value or pair.value.int_value for pair in span.attributes}


@pytest.mark.published(
    "W3C Trace Context; OpenTelemetry semantic conventions of HTTP spans; OTLP 1 by its protobuf"
)
async def test_a_request_is_followed_to_the_store_and_to_others(
    followed: Service, elsewhere: Elsewhere, caplog: pytest.LogCaptureFixture
) -> None:
    await _asked(followed)
    assert elsewhere.service == "ward-3"
    request = elsewhere.named("GET /fhir/CodeSystem/$lookup")
    assert (request.trace_id.hex(), request.parent_span_id.hex()) == (TRACE, CALLER)
    assert request.kind == Span.SpanKind.SPAN_KIND_SERVER
    assert _told(request) == {
        "http.request.method": "GET",
        "http.route": "/fhir/CodeSystem/$lookup",
        "http.response.status_code": 422,
    }
    asked = next(one for one in elsewhere.spans if one.kind == Span.SpanKind.SPAN_KIND_CLIENT)
    assert (asked.trace_id, asked.parent_span_id) == (request.trace_id, request.span_id)
    assert _told(asked) == {"http.request.method": "GET", "server.address": "127.0.0.1"}
    passed_on = elsewhere.asked[0]
    assert passed_on["traceparent"] == f"00-{TRACE}-{asked.span_id.hex()}-01"
    assert passed_on["x-request-id"] == "call-7"
    assert not {"tracestate", "baggage"} & passed_on.keys()
    write = next(one for one in elsewhere.spans if one.name == "PUT /fhir/{type}/{id}")
    children = {one.name for one in elsewhere.spans if one.parent_span_id == write.span_id}
    assert "store write PUT Patient" in children
    stopped = elsewhere.named("GET /health/ready")
    assert stopped.status.code == Status.StatusCode.STATUS_CODE_ERROR
    assert not stopped.parent_span_id
    lines = [json.loads(one) for one in _lines(caplog)]
    (line,) = [one for one in lines if one["request_id"] == "call-7"]
    assert (line["trace_id"], line["client"]) == (TRACE, APP)
    # and nothing of anybody is told, though everything a request can carry it in was sent
    begins = {one.name.partition(" ")[0] for one in elsewhere.spans}
    assert begins <= {"GET", "POST", "PUT", "_OTHER", "store"}
    assert len(elsewhere.spans) > 16
    for planted in (b"quetzalcoatl", b"1931-07-23", b"tracestate", b"call-7"):
        assert planted not in elsewhere.sent.lower()


async def test_a_collector_that_is_gone_keeps_nothing_from_being_answered(
    settings: Settings, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("OTEL_EXPORTER_OTLP_ENDPOINT", "http://127.0.0.1:9")
    monkeypatch.setenv("OTEL_EXPORTER_OTLP_TIMEOUT", "1")
    app = create_app(settings, clock=lambda: NOW)
    async with app.router.lifespan_context(app), caller(app) as client:
        assert (await client.get("/fhir/Patient")).status_code == 200


async def test_what_is_not_followed_is_told_nobody(settings: Settings, elsewhere: Elsewhere) -> None:
    app = create_app(settings.model_copy(update={"tracing": False}), clock=lambda: NOW)
    async with app.router.lifespan_context(app), caller(app) as client:
        assert (await client.get(LOOKUP, headers=FOLLOWED)).status_code == 422
    assert elsewhere.spans == []
    assert elsewhere.asked[0]["x-request-id"] == "call-7"
    assert "traceparent" not in elsewhere.asked[0]


def test_the_library_is_asked_for_by_name(monkeypatch: pytest.MonkeyPatch, settings: Settings) -> None:
    monkeypatch.setitem(sys.modules, "opentelemetry.sdk.trace", None)
    monkeypatch.delitem(sys.modules, "service.tracing", raising=False)
    with pytest.raises(ServiceError, match=r"swallow-interop\[otel\]"):
        create_app(settings)


def _lines(caplog: pytest.LogCaptureFixture) -> list[str]:
    records = [one.getMessage() for one in caplog.records if one.name == "service.requests"]
    return [line for record in records for line in record.splitlines()]
