"""Hostile and broken input over HTTP: refused with an OperationOutcome, never a 500."""

from collections.abc import AsyncIterator

import pytest
from httpx import AsyncClient, Response

pytestmark = pytest.mark.anyio

JSON = {"Content-Type": "application/json"}
PLACES = [
    ("POST", "/fhir/Patient"),
    ("PUT", "/fhir/Patient/p1"),
    ("POST", "/fhir"),
    ("POST", "/intake/visits"),
]


def assert_refused(answer: Response, *statuses: int) -> None:
    assert answer.status_code in statuses, answer.text[:300]
    assert answer.json()["resourceType"] == "OperationOutcome"


async def drip(total: int) -> AsyncIterator[bytes]:
    for _ in range(total // 10_000):
        yield b"[" * 10_000


@pytest.mark.conformance("A21", "L7")
@pytest.mark.parametrize(("method", "path"), PLACES)
async def test_ten_megabytes_of_brackets(integrator: AsyncClient, method: str, path: str) -> None:
    whole = await integrator.request(method, path, content=b"[" * 10_000_000, headers=JSON)
    assert_refused(whole, 413)
    assert "200000 bytes" in whole.text
    # the same without a Content-Length, so that only counting can stop it
    assert_refused(await integrator.request(method, path, content=drip(10_000_000), headers=JSON), 413)


@pytest.mark.conformance("L7")
@pytest.mark.parametrize(("method", "path"), PLACES)
@pytest.mark.parametrize("body", [b"[" * 100_000, b'{"a":' * 30_000, b'{"extension":[' * 10_000])
async def test_deep_nesting(integrator: AsyncClient, method: str, path: str, body: bytes) -> None:
    assert_refused(await integrator.request(method, path, content=body, headers=JSON), 400)


@pytest.mark.conformance("A20", "L7")
@pytest.mark.parametrize(("method", "path"), PLACES)
@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"{",
        b"null",
        b"[]",
        b'"text"',
        b"{}",
        b'{"resourceType":"Patient","resourceType":"Patient"}',
        b'{"resourceType":"Patient","id":"p1","active":true,"active":false}',
        b'{"resourceType":"Patient","id":"p1"} trailing',
        b'{"resourceType":"Patient","id":"p1","multipleBirthInteger":NaN}',
        b'{"resourceType":"Patient","id":"p1","multipleBirthInteger":1e999999999}',
        b'{"resourceType":"Patient","id":"p1","multipleBirthInteger":' + b"9" * 5_000 + b"}",
        b'{"resourceType":"Patient","id":"p1","name":[{"family":"\xff"}]}',
        b'{"resourceType":"Patient","id":"p1","name":[{"family":"\\ud800"}]}',
        b'{"resourceType":"Patient","id":"p1","name":[{"family":"\\u0000"}]}',
        b'{"resourceType":"Patient","id":"p1","name":[null]}',
        b'{"resourceType":"Patient","id":"p1","name":[]}',
        b'{"resourceType":"Patient","id":"p1","name":{}}',
        b'{"resourceType":["Patient"],"id":"p1"}',
        b'{"resourceType":"Patient","id":{"a":1}}',
        b'{"resourceType":"Patient","id":"p1","meta":"x"}',
        b'{"resourceType":"Patient","id":"p1","contained":[1]}',
        b'{"resourceType":"Bundle","type":"transaction","entry":{}}',
        b'{"resourceType":"Bundle","type":"transaction","entry":[1]}',
        b'{"resourceType":"Bundle","type":"transaction","entry":[{"request":1}]}',
        b'{"resourceType":"Bundle","type":"transaction","entry":[{"request":{"method":"POST","url":1}}]}',
        b'{"resourceType":"Bundle","type":"transaction","entry":[{"request":{"method":"BREW","url":"x"}}]}',
        b'{"resourceType":"Bundle","type":"transaction","entry":[{"request":{"method":"GET","url":"http://["}}]}',
        b'{"visit_record":1,"visit_record":1}',
        b'{"visit_record":{"a":[1,2]},"record":7}',
    ],
)
async def test_broken_text(integrator: AsyncClient, method: str, path: str, body: bytes) -> None:
    assert_refused(await integrator.request(method, path, content=body, headers=JSON), 400, 422)


@pytest.mark.conformance("A21", "L7")
async def test_a_large_bundle_is_refused_before_it_is_worked_on(integrator: AsyncClient) -> None:
    one = b'{"request":{"method":"GET","url":"Patient/x"}}'
    body = b'{"resourceType":"Bundle","type":"batch","entry":[' + b",".join([one] * 101) + b"]}"
    assert_refused(await integrator.post("/fhir", content=body, headers=JSON), 400, 413, 422)


@pytest.mark.conformance("L7")
@pytest.mark.parametrize(
    "path",
    [
        "/fhir/Patient?name=" + "a" * 20_000,
        "/fhir/Patient?" + "&".join(["name=a"] * 500),
        "/fhir/Patient?name=%FF%FE",
        "/fhir/Patient?birthdate=" + "9" * 400,
        "/fhir/Patient?_count=" + "9" * 5_000,
        "/fhir/Patient/p1/_history/" + "9" * 400,
        "/fhir/Patient/p1/_history/-1",
        "/fhir/Patient/p1/_history/x",
        "/fhir/Patient/%00",
        "/fhir/Observation?value-quantity=5",
        "/fhir/Observation?patient=Patient/../../x",
        "/fhir/Observation?patient.name=x",
        "/fhir/Patient?_has:Observation:patient:code=x",
        "/fhir/Patient?_include=*",
    ],
)
async def test_odd_addresses_are_no_server_errors(integrator: AsyncClient, path: str) -> None:
    answer = await integrator.get(path)
    assert answer.status_code < 500, answer.text
    assert answer.json()["resourceType"] in {"OperationOutcome", "Bundle"}


@pytest.mark.conformance("L7")
@pytest.mark.parametrize(
    "headers",
    [
        {"If-Match": "x"},
        {"If-Match": 'W/"' + "9" * 400 + '"'},
        {"Prefer": ";;;,,,="},
        {"Content-Length": "+5"},
        {"X-Request-Id": "a" * 5_000},
    ],
    ids=str,
)
async def test_odd_headers_are_no_server_errors(integrator: AsyncClient, headers: dict[str, str]) -> None:
    body = b'{"resourceType":"Patient","id":"p1"}'
    answer = await integrator.put("/fhir/Patient/p1", content=body, headers=JSON | headers)
    assert answer.status_code < 500, answer.text


@pytest.mark.conformance("L7")
async def test_an_odd_conditional_create_is_no_server_error(integrator: AsyncClient) -> None:
    for condition in ("%%%", "identifier", "=", "identifier=|", "_id=%00", "a" * 9_000):
        headers = JSON | {"If-None-Exist": condition}
        answer = await integrator.post(
            "/fhir/Patient", content=b'{"resourceType":"Patient"}', headers=headers
        )
        assert answer.status_code < 500, answer.text
