"""What is logged of a request, and what never is."""

import asyncio
import json
import logging
from collections.abc import Callable
from typing import Any

import pytest
from fastapi import FastAPI
from httpx import ASGITransport, AsyncClient

from service.app import create_app
from service.correlation import REQUEST_ID
from service.rest.call import Services
from service.rest.log_lines import logged_to_stderr
from service.settings import Settings


@pytest.fixture
def lines(app: FastAPI, caplog: pytest.LogCaptureFixture) -> Callable[[], list[dict[str, Any]]]:
    caplog.set_level(logging.DEBUG)

    def written() -> list[dict[str, Any]]:
        app.lines.write()
        records = (record.getMessage() for record in caplog.records if record.name == "service.requests")
        return [json.loads(line) for record in records for line in record.splitlines()]

    return written


@pytest.mark.anyio
async def test_one_line_per_request_with_the_template(
    integrator: AsyncClient, lines: Callable[[], list[dict[str, Any]]]
) -> None:
    await integrator.get("/fhir/Patient/secret-id", headers={"X-Request-Id": "trace-7"})
    (line,) = lines()
    milliseconds = line.pop("ms")
    assert line == {
        "method": "GET",
        "route": "/fhir/{type}/{id}",
        "status": 404,
        "request_id": "trace-7",
        "level": "info",
    }
    assert 0 <= milliseconds < 60_000


@pytest.mark.conformance("A15")
@pytest.mark.anyio
async def test_nothing_of_a_patient_is_logged(
    integrator: AsyncClient,
    clinician: AsyncClient,
    caplog: pytest.LogCaptureFixture,
    lines: Callable[[], list[dict[str, Any]]],
) -> None:
    patient = {"resourceType": "Patient", "id": "zz-secret", "name": [{"family": "Quetzalcoatl"}]}
    bad = patient | {"gender": "Quetzalcoatl", "Quetzalcoatl": 1}
    await integrator.put("/fhir/Patient/zz-secret", json=patient)
    await integrator.put("/fhir/Patient/zz-secret", json=bad)
    await integrator.get("/fhir/Patient?name=Quetzalcoatl")
    await integrator.get("/fhir/Patient/zz-secret")
    await integrator.get("/fhir/Quetzalcoatl")
    await integrator.get("/Quetzalcoatl?zz-secret=1")
    await clinician.put("/fhir/Patient/zz-secret", json=patient)
    assert len(lines()) == 7
    written = "\n".join(
        f"{record.name} {record.getMessage()}" for record in caplog.records if record.name[:5] != "httpx"
    )
    assert "Quetzalcoatl" not in written
    assert "zz-secret" not in written
    assert "Bearer" not in written


@pytest.mark.anyio
async def test_lines_are_written_soon_and_together(
    stranger: AsyncClient, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO)
    for _ in range(3):
        await stranger.get("/health/live")

    def records() -> list[str]:
        return [record.getMessage() for record in caplog.records if record.name == "service.requests"]

    assert records() == []
    await asyncio.sleep(0.2)
    (record,) = records()
    assert [json.loads(line)["route"] for line in record.splitlines()] == ["/health/live"] * 3


@pytest.mark.anyio
async def test_the_last_lines_are_written_at_the_end(
    settings: Settings, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO)
    app = create_app(settings)
    async with (
        app.router.lifespan_context(app),
        AsyncClient(transport=ASGITransport(app), base_url="http://test") as client,
    ):
        await client.get("/health/live")
    assert [record.name for record in caplog.records].count("service.requests") == 1


@pytest.mark.conformance("A14")
@pytest.mark.anyio
async def test_a_request_id_is_echoed_or_made(stranger: AsyncClient) -> None:
    echoed = await stranger.get("/health/live", headers={"X-Request-Id": "a.B_c-9"})
    assert echoed.headers["x-request-id"] == "a.B_c-9"
    for odd in ("two words", "ü", "x" * 65, 'q"uote', "{}"):
        answer = await stranger.get("/health/live", headers={"X-Request-Id": odd.encode("latin-1")})
        assert len(answer.headers["x-request-id"]) == 16


@pytest.mark.conformance("A15")
@pytest.mark.anyio
async def test_a_broken_service_answers_without_a_word_of_why(
    app: FastAPI,
    sign: Callable[..., str],
    monkeypatch: pytest.MonkeyPatch,
    lines: Callable[[], list[dict[str, Any]]],
) -> None:
    async def read(*_: object) -> None:
        raise RuntimeError("Quetzalcoatl at /secret/path")

    services: Services = app.services
    monkeypatch.setattr(type(services.store), "read", read)
    headers = {"Authorization": f"Bearer {sign('system/*.cruds')}"}
    async with AsyncClient(transport=ASGITransport(app), base_url="http://test", headers=headers) as client:
        answer = await client.get("/fhir/Patient/p1")
    assert answer.status_code == 500
    assert answer.json()["issue"][0]["code"] == "exception"
    assert "Quetzalcoatl" not in answer.text
    broken, request = lines()
    assert (broken["level"], request["level"]) == ("error", "error")
    assert broken["error"] == "RuntimeError"
    assert broken["frames"][-1].endswith(" read")
    assert broken["request_id"] == request["request_id"] == answer.headers["x-request-id"]
    assert "Quetzalcoatl" not in json.dumps(broken)


def test_a_serving_process_writes_json_lines_each_with_its_level(capsys: pytest.CaptureFixture[str]) -> None:
    with logged_to_stderr():
        logging.getLogger("service.requests").info("%s", '{"status":200}')
        known = REQUEST_ID.set("trace-7")
        logging.getLogger("service.jobs").info("told", extra={"told": {"rows": 4}})
        REQUEST_ID.reset(known)
        logging.getLogger("service.audit").error("broken", exc_info=ValueError("Quetzalcoatl"))
        logging.getLogger("service.audit").debug("not told")
    first, *rest = capsys.readouterr().err.splitlines()
    assert first == '{"status":200}'
    assert [json.loads(line) for line in rest] == [
        {"level": "info", "log": "service.jobs", "message": "told", "rows": 4, "request_id": "trace-7"},
        {"level": "error", "log": "service.audit", "message": "broken", "error": "ValueError"},
    ]


@pytest.mark.anyio
async def test_with_a_graver_level_only_what_went_wrong_is_told(
    settings: Settings, capsys: pytest.CaptureFixture[str]
) -> None:
    app = create_app(settings.model_copy(update={"log_level": "warning"}))
    with logged_to_stderr("warning"):
        async with (
            app.router.lifespan_context(app),
            AsyncClient(transport=ASGITransport(app), base_url="http://test") as client,
        ):
            await client.get("/health/live")
            app.services.readiness.stopping = True
            assert (await client.get("/health/ready")).status_code == 503
    (line,) = capsys.readouterr().err.splitlines()
    assert json.loads(line)["status"] == 503
