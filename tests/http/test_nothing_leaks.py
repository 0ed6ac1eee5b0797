"""What people are called and what was written of them, planted everywhere a request can carry it.

None of it may stand in a line of any log; and in the text of an error only to whoever sent it, never what is
stored.
"""

import json
import logging
from collections.abc import Callable
from typing import Any

import pytest
from fastapi import FastAPI
from httpx import AsyncClient, Response

pytestmark = pytest.mark.anyio

NAME, NUMBER, BORN, NOTE = "Quetzalcoatl", "mrn-7730915", "1931-07-23", "chokes on thin liquid"
PLANTED = (NAME, NUMBER, BORN, NOTE, "zz-secret-id")
PERSON = {
    "resourceType": "Patient",
    "id": "zz-secret-id",
    "identifier": [{"system": "https://clinic.example.org/patients", "value": NUMBER}],
    "name": [{"family": NAME, "given": [NAME]}],
    "birthDate": BORN,
    "text": {"status": "generated", "div": f'<div xmlns="http://www.w3.org/1999/xhtml">{NOTE}</div>'},
}
WORK = {
    "resourceType": "Observation",
    "status": "final",
    "subject": {"reference": "Patient/zz-secret-id", "display": NAME},
    "code": {"text": NOTE},
    "effectiveDateTime": BORN,
    "valueString": NOTE,
    "note": [{"text": NOTE}],
}
FORM = {"Content-Type": "application/x-www-form-urlencoded"}
JSON = {"Content-Type": "application/fhir+json"}
YAML = {"Content-Type": "application/yaml"}
XML = {"Content-Type": "application/fhir+xml"}
FIELDS = {
    "X-Request-Id": f"{NAME} {NUMBER}",
    "If-None-Exist": f"identifier={NUMBER}",
    "Prefer": f"return={NAME}",
    "User-Agent": NAME,
    "Referer": f"https://record.example.org/?name={NAME}",
    "Cookie": f"{NAME}={NUMBER}",
}


def _text(*trees: dict[str, Any]) -> bytes:
    return b"".join(json.dumps(tree).encode() for tree in trees)


def _entry(method: str, url: str, resource: dict[str, Any] | None = None) -> dict[str, Any]:
    return {"request": {"method": method, "url": url}} | ({"resource": resource} if resource else {})


BUNDLE = {
    "resourceType": "Bundle",
    "type": "batch",
    "entry": [
        _entry("PUT", "Patient/zz-secret-id", PERSON),
        _entry("POST", "Observation", WORK | {"status": NAME}),
        _entry("GET", f"Patient?name={NAME}&birthdate={BORN}"),
        _entry("GET", f"{NAME}/zz-secret-id"),
        _entry("DELETE", f"Patient?identifier={NUMBER}"),
    ],
}
PATCH = [{"op": "test", "path": "/name/0/family", "value": NAME}, {"op": NAME, "path": f"/{NAME}"}]
REQUESTS: list[tuple[str, str, dict[str, str], bytes]] = [
    ("PUT", "/fhir/Patient/zz-secret-id", JSON, _text(PERSON)),
    ("PUT", "/fhir/Patient/zz-secret-id", JSON | {"If-Match": f'W/"{NAME}"'}, _text(PERSON)),
    ("PUT", "/fhir/Patient/zz-secret-id", JSON, _text(PERSON | {"gender": NAME, NAME: NOTE})),
    ("PUT", "/fhir/Patient/zz-secret-id", JSON, _text(PERSON)[:-20]),
    ("PUT", "/fhir/Patient/zz-secret-id", XML, f"<Patient><{NAME} value='{NOTE}'>".encode()),
    ("POST", "/fhir/Observation", JSON, _text(WORK)),
    ("POST", "/fhir/Observation", JSON, _text(WORK, WORK)),
    ("POST", "/fhir/Observation", JSON | FIELDS, _text(WORK | {"effectiveDateTime": NOTE})),
    ("POST", "/fhir", JSON, _text(BUNDLE)),
    ("POST", "/fhir", JSON, _text(BUNDLE | {"type": "transaction"})),
    ("PATCH", "/fhir/Patient/zz-secret-id", {"Content-Type": "application/json-patch+json"}, _text(*PATCH)),
    ("PATCH", f"/fhir/Patient?identifier={NUMBER}", {"Content-Type": "application/json-patch+json"}, b"[]"),
    ("GET", "/fhir/Patient/zz-secret-id", FIELDS, b""),
    ("GET", "/fhir/Patient/zz-secret-id/_history/zz-secret-id", {}, b""),
    ("GET", f"/fhir/Patient?name={NAME}&birthdate={BORN}&identifier={NUMBER}", FIELDS, b""),
    ("GET", f"/fhir/Patient?birthdate={NAME}&{NAME}={NUMBER}", {}, b""),
    ("GET", f"/fhir/Observation?subject.name={NAME}&value-string={NOTE}", {}, b""),
    ("GET", f"/fhir/{NAME}/zz-secret-id", {}, b""),
    ("GET", f"/{NAME}/{NUMBER}?born={BORN}", {}, b""),
    ("GET", "/fhir/Patient/zz-secret-id/$everything", {}, b""),
    ("GET", f"/fhir/Patient/zz-secret-id/$goal-attainment?asOf={NAME}", {}, b""),
    ("POST", "/fhir/Patient/_search", FORM, f"name={NAME}&birthdate={BORN}".encode()),
    ("POST", "/fhir/Patient/$validate", JSON, _text(PERSON | {"gender": NAME})),
    ("POST", "/intake/visits", YAML, f"visit_record: {{{NAME}: {NOTE}, patient: {NUMBER}}}".encode()),
    ("POST", "/intake/visits", {"Content-Type": NAME}, NOTE.encode()),
    ("GET", "/app/patients/zz-secret-id", {"Cookie": f"session={NAME}"}, b""),
    ("POST", "/app/sign-in", FORM | {"Origin": "http://test"}, f"token={NAME}".encode()),
    ("GET", f"/research/export?variant={NAME}", {}, b""),
    ("DELETE", f"/fhir/Patient?identifier={NUMBER}&{NAME}={NOTE}", {}, b""),
    ("DELETE", "/fhir/Patient/zz-secret-id", {}, b""),
    ("GET", "/fhir/Patient/zz-secret-id", {}, b""),
]


async def _all_sent(client: AsyncClient) -> list[Response]:
    return [
        await client.request(method, path, headers=headers, content=body)
        for method, path, headers, body in REQUESTS
    ]


@pytest.mark.conformance("A15")
async def test_no_log_names_anybody(
    app: FastAPI, integrator: AsyncClient, clinician: AsyncClient, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.DEBUG)
    answers = await _all_sent(integrator) + await _all_sent(clinician)
    app.lines.write()
    statuses = {answer.status_code for answer in answers}
    assert {200, 201, 400, 401, 403, 404, 415, 422} <= statuses, statuses
    assert not {status for status in statuses if status >= 500}
    written = [
        f"{record.name} {record.getMessage()} {record.exc_text or ''}"
        for record in caplog.records
        if not record.name.startswith(("httpx", "httpcore"))  # the caller's own, of this test
    ]
    assert sum("/fhir/{type}" in line for line in written) > 0
    assert [line for line in written if any(word in line for word in PLANTED)] == []


@pytest.mark.conformance("A15")
async def test_an_error_tells_nobody_what_is_stored(
    integrator: AsyncClient, stranger: AsyncClient, client_of: Callable[[str], AsyncClient]
) -> None:
    """Who may not read is told nothing; who may write is not told what stands there."""
    assert (await integrator.put("/fhir/Patient/p1", json=PERSON | {"id": "p1"})).status_code == 201
    nobody = client_of("nobody")
    for client in (stranger, nobody):
        for method, path in (
            ("GET", "/fhir/Patient/p1"),
            ("GET", "/fhir/Patient"),
            ("PUT", "/fhir/Patient/p1"),
            ("DELETE", "/fhir/Patient/p1"),
            ("GET", "/app/patients/p1"),
        ):
            answer = await client.request(method, path)
            assert answer.status_code in {400, 401, 403}, (method, path)
            assert not any(word in answer.text for word in PLANTED)
    changed = {"resourceType": "Patient", "id": "p1", "active": "no"}
    for headers in ({}, {"If-Match": 'W/"9"'}):
        answer = await integrator.put("/fhir/Patient/p1", json=changed, headers=headers)
        assert answer.status_code in {400, 412}
        assert not any(word in answer.text for word in PLANTED)
