"""Every access is recorded: who, what, when, whom it was about; and the trail is read by who may."""

import base64
import itertools
import json
from datetime import UTC, datetime, timedelta

import pytest
from httpx import ASGITransport, AsyncClient

from service.fhir.json import parse
from service.fhir.validation import errors
from service.security.audit_event import outcome_of
from service.security.development_issuer import DevelopmentIssuer

pytestmark = pytest.mark.anyio
NOW = datetime(2026, 6, 1, 9, 0, tzinfo=UTC)
PERSON = {"resourceType": "Patient", "id": "p1", "name": [{"family": "HTEST"}]}
WEIGHT = {
    "resourceType": "Observation",
    "status": "final",
    "code": {"text": "weight"},
    "subject": {"reference": "Patient/p1"},
}


@pytest.fixture
def clock():
    """It goes on, so that what comes later is later: accesses and writes have chains of their own."""
    passed = itertools.count()
    return lambda: NOW + timedelta(milliseconds=next(passed))


@pytest.fixture
def auditor(client_of):
    return client_of("auditor")


@pytest.fixture
async def person(integrator):
    assert (await integrator.put("/fhir/Patient/p1", json=PERSON)).status_code == 201


async def trail(auditor, query=""):
    """The AuditEvents of requests, newest first, but for those of reading them."""
    answer = await auditor.get(f"/fhir/AuditEvent?_count=500{query}")
    assert answer.status_code == 200, answer.text
    events = [entry["resource"] for entry in answer.json().get("entry", ())]
    return [one for one in events if "AuditEvent" not in search_of(one) and one["type"]["code"] != "110100"]


def told(event):
    return event["subtype"][0]["code"], event["action"], event["outcome"]


def named(event):
    return {one["what"]["reference"] for one in event["entity"] if "reference" in one.get("what", {})}


def search_of(event):
    queries = [one["query"] for one in event.get("entity", ()) if "query" in one]
    return base64.b64decode(queries[0]).decode() if queries else ""


async def newest(auditor):
    return (await trail(auditor))[0]


REQUESTS = [
    ("GET", "/fhir/Patient/p1", ("read", "R", "0"), {"Patient/p1", "Patient/p1/_history/1"}, ""),
    ("GET", "/fhir/Patient/p1/_history/1", ("vread", "R", "0"), {"Patient/p1", "Patient/p1/_history/1"}, ""),
    ("GET", "/fhir/Patient/p1/_history", ("history-instance", "R", "0"), {"Patient/p1"}, ""),
    ("GET", "/fhir/Patient/_history", ("history-type", "R", "0"), {"Patient/p1"}, ""),
    ("GET", "/fhir/_history", ("history-system", "R", "0"), {"Patient/p1"}, ""),
    ("GET", "/fhir/Observation?patient=p1&_summary=count", ("search-type", "E", "0"), {"Patient/p1"}, None),
    ("GET", "/fhir/Patient?_id=p1&_count=0", ("search-type", "E", "0"), {"Patient/p1"}, None),
    ("GET", "/fhir/Observation?subject=Patient/nobody", ("search-type", "E", "0"), {"Patient/nobody"}, None),
    (
        "GET",
        "/fhir/Patient?family=HTEST",
        ("search-type", "E", "0"),
        {"Patient/p1"},
        "GET /fhir/Patient?family=HTEST",
    ),
    ("GET", "/fhir?_type=Patient", ("search-system", "E", "0"), {"Patient/p1"}, "GET /fhir?_type=Patient"),
    ("GET", "/fhir/Patient/p1/Observation", ("search-type", "E", "0"), {"Patient/p1"}, None),
    ("GET", "/fhir/Patient/p1/$everything", ("operation", "E", "0"), {"Patient/p1"}, ""),
    ("GET", "/fhir/Patient/nobody", ("read", "R", "4"), {"Patient/nobody"}, ""),
    ("DELETE", "/fhir/Patient/nobody", ("delete", "D", "0"), {"Patient/nobody"}, ""),
    ("GET", "/fhir/Nonsense/p1", ("read", "R", "4"), set(), ""),
    ("GET", "/nowhere", ("operation", "E", "4"), set(), "GET /nowhere"),
    ("DELETE", "/fhir/Patient/p1", ("delete", "D", "0"), {"Patient/p1", "Patient/p1/_history/2"}, ""),
]


@pytest.mark.conformance("L1")
@pytest.mark.parametrize(("method", "path", "what", "about", "query"), REQUESTS)
@pytest.mark.usefixtures("person")
async def test_what_was_done_to_whom(integrator, auditor, method, path, what, about, query):
    await integrator.request(method, path)
    event = await newest(auditor)
    assert told(event) == what
    assert named(event) == about
    assert query is None or search_of(event) == query


@pytest.mark.conformance("L1")
@pytest.mark.usefixtures("person")
async def test_a_refusal_that_tells_of_somebody_names_them(integrator, auditor):
    """A patch that tests a value tells of it by being refused."""
    patch = [{"op": "test", "path": "/gender", "value": "other"}]
    headers = {"Content-Type": "application/json-patch+json"}
    answer = await integrator.patch("/fhir/Patient?_id=p1", json=patch, headers=headers)
    assert answer.status_code == 422
    assert named(await newest(auditor)) == {"Patient/p1"}


@pytest.mark.conformance("L1")
@pytest.mark.usefixtures("person")
async def test_a_search_by_form_is_told_with_its_form(integrator, auditor):
    await integrator.post("/fhir/Observation/_search?code=x", data={"subject": "Patient/p1"})
    assert search_of(await newest(auditor)) == "POST /fhir/Observation/_search?code=x&subject=Patient%2Fp1"


@pytest.mark.conformance("L1")
@pytest.mark.usefixtures("person")
async def test_writes_are_told_with_their_versions(integrator, auditor):
    answer = await integrator.post("/fhir/Observation", json=WEIGHT)
    id_ = answer.json()["id"]
    await integrator.put(f"/fhir/Observation/{id_}", json=WEIGHT | {"id": id_, "status": "amended"})
    patch = [{"op": "replace", "path": "/status", "value": "corrected"}]
    headers = {"Content-Type": "application/json-patch+json"}
    await integrator.patch(f"/fhir/Observation/{id_}", content=json.dumps(patch), headers=headers)
    patched, updated, created, _ = await trail(auditor)
    for event, what, version in (
        (created, ("create", "C", "0"), 1),
        (updated, ("update", "U", "0"), 2),
        (patched, ("patch", "U", "0"), 3),
    ):
        assert told(event) == what
        assert named(event) == {"Patient/p1", f"Observation/{id_}/_history/{version}"}


async def test_an_update_that_creates_says_so(integrator, auditor):
    await integrator.put("/fhir/Patient/p1", json=PERSON)
    assert told(await newest(auditor)) == ("update", "C", "0")


def entry(method, url, resource=None):
    request = {"request": {"method": method, "url": url}}
    return request | ({"resource": resource} if resource else {})


@pytest.mark.conformance("L1")
@pytest.mark.parametrize("kind", ["transaction", "batch"])
async def test_bundles_tell_each_write(integrator, auditor, kind):
    second = PERSON | {"id": "p2"}
    entries = [
        entry("PUT", "Patient/p1", PERSON),
        entry("PUT", "Patient/p2", second),
        entry("GET", "Patient/p1"),
    ]
    bundle = {"resourceType": "Bundle", "type": kind, "entry": entries}
    assert (await integrator.post("/fhir", json=bundle)).status_code == 200
    events = await trail(auditor)
    assert {told(one) for one in events} == {(kind, "E", "0")}
    assert len(events) == (1 if kind == "transaction" else 3)
    written = {f"Patient/{id_}/_history/1" for id_ in ("p1", "p2")}
    assert set().union(*map(named, events)) == written | {"Patient/p1", "Patient/p2"}


async def test_a_transaction_that_fails_is_told_as_one(integrator, auditor):
    bundle = {"resourceType": "Bundle", "type": "transaction", "entry": [entry("GET", "Patient/nobody")]}
    assert (await integrator.post("/fhir", json=bundle)).status_code == 404
    (event,) = await trail(auditor)
    assert told(event) == ("transaction", "E", "4")


@pytest.mark.conformance("L1")
async def test_who_asked_from_where_and_what_for(app, settings, auditor):
    issuer = DevelopmentIssuer(settings.data_dir)
    token = issuer.sign("ann", "user/*.rs", now=NOW.timestamp(), fhir_user="Practitioner/a")
    headers = {"Authorization": f"Bearer {token}", "X-Request-Id": "request-7"}
    transport = ASGITransport(app, client=("192.0.2.7", 4711))
    async with AsyncClient(transport=transport, base_url="http://test", headers=headers) as client:
        await client.get("/fhir/Patient/p1")
    (agent,) = (await newest(auditor))["agent"]
    assert agent["who"] == {
        "reference": "Practitioner/a",
        "identifier": {"system": "https://swallow-interop.example.org/development-issuer", "value": "ann"},
    }
    assert agent["altId"] == "ann"
    assert agent["requestor"] is True
    assert agent["network"] == {"address": "192.0.2.7", "type": "2"}
    assert len(await trail(auditor, "&agent=Practitioner/a")) == 1
    ids = [one["what"].get("identifier") for one in (await newest(auditor))["entity"]]
    assert {"value": "request-7"} in ids


@pytest.mark.conformance("L1")
@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({}, 401),
        ({"Authorization": "Bearer nonsense"}, 401),
        ({"Authorization": "Basic YTpi"}, 401),
    ],
)
async def test_whom_nobody_knows_is_recorded(stranger, auditor, headers, status):
    assert (await stranger.get("/fhir/Patient/p1", headers=headers)).status_code == status
    event = await newest(auditor)
    assert told(event) == ("read", "R", "4")
    assert event["outcomeDesc"] == "HTTP status 401"
    assert event["agent"][0]["who"] == {"display": "unknown"}
    assert "nonsense" not in json.dumps(event)


@pytest.mark.conformance("L1")
async def test_what_the_caller_may_not_is_recorded_with_the_caller(client_of, auditor):
    assert (await client_of("nobody").get("/fhir/Patient/p1")).status_code == 403
    event = await newest(auditor)
    assert event["agent"][0]["altId"] == "test"
    assert event["outcomeDesc"] == "HTTP status 403"


@pytest.mark.conformance("L1")
async def test_signing_in_and_out_of_the_page(stranger, auditor, sign):
    own = {"Origin": "http://test"}
    token = sign("user/*.rs")
    assert (await stranger.post("/app/sign-in", data={"token": "wrong"}, headers=own)).status_code == 401
    assert (await stranger.post("/app/sign-in", data={"token": token}, headers=own)).status_code == 303
    assert (await stranger.post("/app/sign-out", headers=own)).status_code == 303
    events = await trail(auditor)
    assert [(one["type"]["code"], *told(one)) for one in events] == [
        ("110114", "110123", "E", "0"),
        ("110114", "110122", "E", "0"),
        ("110114", "110122", "E", "4"),
    ]
    assert events[1]["agent"][0]["altId"] == "test"
    assert token not in json.dumps(events)


@pytest.mark.conformance("L1")
@pytest.mark.parametrize(
    ("path", "what", "about"),
    [
        ("/app", ("search-type", "E", "0"), {"Patient/p1"}),
        ("/app/patients/p1", ("read", "R", "0"), {"Patient/p1"}),
        ("/app/patients/p1/summary.pdf", ("read", "R", "0"), {"Patient/p1"}),
        ("/app/patients/nobody", ("read", "R", "4"), {"Patient/nobody"}),
        ("/app/resources/Observation/nothing", ("read", "R", "4"), {"Observation/nothing"}),
    ],
)
@pytest.mark.usefixtures("person")
async def test_pages_are_recorded(clinician, auditor, path, what, about):
    await clinician.get(path)
    event = await newest(auditor)
    assert told(event) == what
    assert named(event) == about
    assert search_of(event) == f"GET {path}"


@pytest.mark.parametrize(
    "path",
    [
        "/fhir/metadata",
        "/health/live",
        "/health/ready",
        "/guide",
        "/openapi.json",
        "/app/sign-in",
        "/app/style.css",
        "/fhir/$versions",
    ],
)
async def test_open_addresses_are_not(stranger, auditor, path):
    assert (await stranger.get(path)).status_code == 200
    assert await trail(auditor) == []


@pytest.mark.conformance("L3")
@pytest.mark.usefixtures("person")
async def test_nothing_that_is_secret_or_was_stored_gets_into_an_event(integrator, auditor):
    await integrator.post("/fhir/Observation", json=WEIGHT | {"note": [{"text": "secret words"}]})
    await integrator.get("/fhir/Patient?access_token=geheim&family=HTEST")
    await integrator.get("/fhir/Patient/p1")
    text = json.dumps(await trail(auditor)) + "".join(map(search_of, await trail(auditor)))
    assert "secret words" not in text
    assert "geheim" not in text
    assert "access_token=*" in text


@pytest.mark.conformance("L1")
@pytest.mark.usefixtures("person")
async def test_events_are_valid_fhir(integrator, stranger, clinician, auditor):
    await integrator.get("/fhir/Patient?family=HTEST")
    await integrator.post("/fhir/Observation", json=WEIGHT)
    await stranger.get("/fhir/Patient/p1")
    await stranger.post("/app/sign-in", data={"token": "x"}, headers={"Origin": "http://test"})
    await clinician.get("/app/patients/p1")
    answer = await auditor.get("/fhir/AuditEvent?_count=100")
    events = [json.dumps(one["resource"]) for one in answer.json()["entry"]]
    assert len(events) >= 7
    for text in events:
        assert list(errors(parse(text))) == [], text


def test_outcomes():
    assert [outcome_of(status) for status in (200, 304, 401, 404, 412, 500, 503)] == list("0044488")


@pytest.mark.conformance("L1")
@pytest.mark.parametrize("path", ["*", "", "fhir/Patient/p1", "example.org:443"])
async def test_an_address_without_a_slash_is_refused_and_recorded(app, auditor, path):
    """As OPTIONS * and CONNECT send them (RFC 9112 section 3.2); the client of the tests can't."""
    sent = []
    scope = {
        "type": "http",
        "http_version": "1.1",
        "method": "OPTIONS",
        "scheme": "http",
        "server": ("test", 80),
        "client": ("192.0.2.7", 4711),
        "path": path,
        "raw_path": path.encode(),
        "query_string": b"",
        "headers": [],
    }

    async def receive():
        return {"type": "http.request", "body": b"", "more_body": False}

    async def send(message):
        sent.append(message)

    await app(scope, receive, send)
    assert sent[0]["status"] == 400
    assert json.loads(sent[1]["body"])["resourceType"] == "OperationOutcome"
    assert told(await newest(auditor)) == ("operation", "E", "4")
