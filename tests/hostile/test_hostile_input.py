"""Broken and hostile input, sent to a real process with little memory: explained, never 5xx, never slow."""

import sys
import time
from pathlib import Path

import httpx
import pytest
from addresses import HEADERS, PATHS, QUERIES_BORNE, QUERIES_REFUSED, TOKENS
from bodies import (
    BORNE,
    BUNDLES_BORNE,
    BUNDLES_REFUSED,
    FHIRPATH_PATCHES_BORNE,
    FHIRPATH_PATCHES_REFUSED,
    JSON,
    JSON_PATCH,
    JSON_PATCHES_REFUSED,
    PATIENT,
    REFUSED,
    XML,
    XML_REFUSED,
)
from processes import serving, token

SECONDS = 60
"""A watchdog, far above what any of these takes."""
ADDRESS_SPACE = 2 * 1024**3
RESIDENT = 500 * 1024**2
LIMITED = (
    f"import resource; resource.setrlimit(resource.RLIMIT_AS, ({ADDRESS_SPACE}, {ADDRESS_SPACE}));"
    "from service.cli import main; main()"
)
pytestmark = pytest.mark.conformance("L7")


@pytest.fixture(scope="module")
def server(tmp_path_factory):
    folder = tmp_path_factory.mktemp("hostile")
    words = ("serve", "--port", "0", "--development-issuer", "--data-dir", folder)
    with serving(*words, command=(sys.executable, "-c", LIMITED)) as server:
        server.token = token(folder).read_text().strip()
        yield server
        assert _peak(server) < RESIDENT


@pytest.fixture(scope="module")
def http(server):
    headers = {"Authorization": f"Bearer {server.token}"}
    with httpx.Client(base_url=server.url, headers=headers, timeout=SECONDS) as http:
        http.put("/fhir/Patient/there", json={**PATIENT, "id": "there"}).raise_for_status()
        yield http
        assert http.get("/fhir/Patient/there").json()["name"] == PATIENT["name"]


def _cases(table):
    return pytest.mark.parametrize("body", [pytest.param(body, id=name) for name, body in table.items()])


@pytest.mark.parametrize("type_", ["Patient", "Observation"])
@_cases(REFUSED)
def test_broken_json_is_refused(http, type_, body):
    _refused(http.post(f"/fhir/{type_}", content=body, headers={"Content-Type": JSON}))


@_cases(BORNE)
def test_costly_json_is_borne(http, body):
    type_ = "Observation" if b"Observation" in body else "Patient"
    answer = http.post(f"/fhir/{type_}", content=body, headers={"Content-Type": JSON})
    _borne(answer)
    if answer.status_code == 201:
        assert http.get(answer.headers["Location"]).status_code == 200


@_cases(BUNDLES_REFUSED)
def test_hostile_bundles(http, body):
    answer = http.post("/fhir", content=body, headers={"Content-Type": JSON})
    if body.startswith(b'{"resourceType": "Bundle", "type": "batch"') and answer.status_code == 200:
        assert all(entry["response"]["status"] >= "4" for entry in answer.json()["entry"])
    else:
        _refused(answer)


@_cases(BUNDLES_BORNE)
def test_costly_bundles_are_borne(http, body):
    _borne(http.post("/fhir", content=body, headers={"Content-Type": JSON}))


@_cases(XML_REFUSED)
def test_broken_xml_is_refused(http, body):
    answer = _refused(http.post("/fhir/Patient", content=body, headers={"Content-Type": XML}))
    assert "root:" not in answer.text


@_cases(JSON_PATCHES_REFUSED)
def test_broken_json_patches_are_refused(http, body):
    _refused(http.patch("/fhir/Patient/there", content=body, headers={"Content-Type": JSON_PATCH}))


@_cases(FHIRPATH_PATCHES_REFUSED)
def test_broken_fhirpath_patches_are_refused(http, body):
    _refused(http.patch("/fhir/Patient/there", content=body, headers={"Content-Type": JSON}))


@_cases(FHIRPATH_PATCHES_BORNE)
def test_odd_fhirpath_patches_are_borne(http, body):
    _borne(http.patch("/fhir/Patient/there", content=body, headers={"Content-Type": JSON}))


@pytest.mark.parametrize("path", PATHS, ids=range(len(PATHS)))
def test_odd_paths_find_nothing(server, http, path):
    address = httpx.URL(server.url, raw_path=path.encode())
    _refused(http.get(address))
    _refused(http.put(address, json=PATIENT))


@pytest.mark.parametrize("query", QUERIES_REFUSED, ids=range(len(QUERIES_REFUSED)))
def test_unusable_searches_are_refused(http, query):
    _refused(http.get(f"/fhir/Patient?{query}"))
    form = {"Content-Type": "application/x-www-form-urlencoded"}
    _refused(http.post("/fhir/Patient/_search", content=query, headers=form))


@pytest.mark.parametrize("query", QUERIES_BORNE, ids=range(len(QUERIES_BORNE)))
def test_odd_searches_are_borne(http, query):
    _borne(http.get(f"/fhir/Patient?{query}"))
    condition = {"If-None-Exist": query.encode("ascii")}
    _borne(http.post("/fhir/Patient", json=PATIENT, headers=condition))


def test_a_form_of_100_000_fields_is_refused(http):
    form = {"Content-Type": "application/x-www-form-urlencoded"}
    _refused(http.post("/fhir/Patient/_search", content=b"name=a&" * 100_000, headers=form))


@pytest.mark.parametrize("headers", HEADERS, ids=range(len(HEADERS)))
def test_odd_headers_are_borne(http, headers):
    for method, path in (
        ("GET", "/fhir/Patient/there"),
        ("GET", "/fhir/Patient?_count=1"),
        ("GET", "/fhir/metadata"),
    ):
        _borne(http.request(method, path, headers=headers))
    _borne(http.post("/fhir/Patient", json=PATIENT, headers=headers))


@pytest.mark.parametrize("secret", TOKENS, ids=range(len(TOKENS)))
def test_odd_tokens_are_refused(http, secret):
    answer = _refused(http.get("/fhir/Patient/there", headers={"Authorization": f"Bearer {secret}"}))
    assert answer.status_code == 401


def test_a_body_in_endless_pieces_is_cut_off(http):
    def pieces():
        end = time.monotonic() + SECONDS
        yield b'{"resourceType":"Patient","name":[{"family":"'
        while time.monotonic() < end:
            yield b"a" * 100_000

    try:
        answer = http.post("/fhir/Patient", content=pieces(), headers={"Content-Type": JSON})
    except httpx.WriteError:  # it hung up while we were still sending
        return
    assert _refused(answer).status_code == 413


def _refused(answer):
    assert 400 <= answer.status_code < 500, answer.text[:500]
    outcome = answer.json()
    assert outcome["resourceType"] == "OperationOutcome"
    assert all(issue["details"]["text"] for issue in outcome["issue"])
    assert len(answer.content) < 200_000
    return answer


def _borne(answer):
    assert answer.status_code < 500, answer.text[:500]
    if answer.status_code >= 400:
        _refused(answer)


def _peak(server):
    """The most memory the process ever had, in bytes."""
    lines = Path(f"/proc/{server.process.pid}/status").read_text("ascii").splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("VmHWM")) * 1024
