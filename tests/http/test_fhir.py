"""The RESTful interactions as a client sees them (FHIR R4 http.html)."""

import asyncio
import json
from datetime import UTC, datetime
from typing import Any

import pytest
from httpx import ASGITransport, AsyncClient, Response

from service.app import create_app
from service.settings import Settings

pytestmark = pytest.mark.anyio

NOW = datetime(2026, 6, 1, 9, 0, tzinfo=UTC)

PATIENT = """{
 "resourceType" : "Patient",
 "meta": {"security": [{"system": "http://terminology.hl7.org/CodeSystem/v3-ActReason", "code": "HTEST"}]},
 "identifier": [{"system": "https://clinic.example.org/mrn", "value": "A-1"}],
 "name": [{"family": "Probe", "given": ["Ada"]}]
}"""
WEIGHT = """{
 "resourceType": "Observation", "status": "final",
 "code": {"coding": [{"system": "http://loinc.org", "code": "29463-7"}]},
 "subject": {"reference": "Patient/p1"},
 "effectiveDateTime": "2026-05-31T23:30:00.123+05:30",
 "valueQuantity": {"value": 72.50, "unit": "kg", "system": "http://unitsofmeasure.org", "code": "kg"}
}"""
JSON = {"Content-Type": "application/fhir+json"}


async def put(client: AsyncClient, path: str, text: str, **headers: str) -> Response:
    names = {name.replace("_", "-"): value for name, value in headers.items()}
    return await client.put(f"/fhir/{path}", content=text, headers=JSON | names)


async def post(client: AsyncClient, path: str, text: str, **headers: str) -> Response:
    names = {name.replace("_", "-"): value for name, value in headers.items()}
    return await client.post(f"/fhir/{path}", content=text, headers=JSON | names)


def with_id(text: str, id_: str) -> str:
    return json.dumps(json.loads(text) | {"id": id_})


@pytest.mark.conformance("A11", "A12", "A13", "B5")
async def test_create_answers_where_it_is(integrator: AsyncClient) -> None:
    made = await post(integrator, "Patient", PATIENT)
    id_ = made.json()["id"]
    assert made.status_code == 201
    assert made.headers["location"] == f"http://test/fhir/Patient/{id_}/_history/1"
    assert made.headers["etag"] == 'W/"1"'
    assert made.headers["last-modified"] == "Mon, 01 Jun 2026 09:00:00 GMT"
    assert made.headers["content-type"] == "application/fhir+json"
    assert made.json()["meta"]["versionId"] == "1"
    assert made.json()["meta"]["lastUpdated"].startswith("2026-06-01T09:00:00")


@pytest.mark.conformance("A2", "A11", "A12", "A19", "B1")
async def test_a_read_answers_the_stored_text(integrator: AsyncClient) -> None:
    text = WEIGHT.replace('"resourceType"', '"resourceType"').replace("{\n", '{\n "id": "w1",\n', 1)
    written = await put(integrator, "Observation/w1", text)
    read = await integrator.get("/fhir/Observation/w1")
    assert written.status_code == 201
    assert read.content == written.content
    assert b'"value": 72.50' in read.content
    assert b"2026-05-31T23:30:00.123+05:30" in read.content
    assert read.headers["etag"] == 'W/"1"'


@pytest.mark.conformance("B1", "B20")
async def test_unknown_and_deleted_are_404_and_410(integrator: AsyncClient) -> None:
    assert (await integrator.get("/fhir/Patient/none")).status_code == 404
    await put(integrator, "Patient/p1", with_id(PATIENT, "p1"))
    gone = await integrator.delete("/fhir/Patient/p1")
    assert (gone.status_code, gone.content) == (204, b"")
    assert (await integrator.delete("/fhir/Patient/p1")).status_code == 204
    assert (await integrator.delete("/fhir/Patient/never")).status_code == 204
    assert (await integrator.get("/fhir/Patient/p1")).status_code == 410
    assert (await integrator.get("/fhir/Patient/p1/_history/1")).status_code == 200
    revived = await put(integrator, "Patient/p1", with_id(PATIENT, "p1"))
    assert revived.status_code == 201
    assert revived.headers["etag"] == 'W/"3"'


@pytest.mark.conformance("B23", "B4")
async def test_history_is_newest_first(integrator: AsyncClient) -> None:
    await put(integrator, "Patient/p1", with_id(PATIENT, "p1"))
    await put(integrator, "Patient/p1", with_id(PATIENT.replace("Ada", "Eva"), "p1"))
    await integrator.delete("/fhir/Patient/p1")
    bundle = (await integrator.get("/fhir/Patient/p1/_history")).json()
    assert bundle["type"] == "history"
    assert [entry["request"]["method"] for entry in bundle["entry"]] == ["DELETE", "PUT", "PUT"]
    assert bundle["entry"][0]["fullUrl"] == "http://test/fhir/Patient/p1"


@pytest.mark.conformance("B7")
async def test_an_update_needs_the_same_id_and_type(integrator: AsyncClient) -> None:
    assert (await put(integrator, "Patient/p1", PATIENT)).status_code == 400
    assert (await put(integrator, "Patient/p1", with_id(PATIENT, "p2"))).status_code == 400
    assert (await put(integrator, "Patient/p1", with_id(WEIGHT, "p1"))).status_code == 400
    assert (await post(integrator, "Patient", WEIGHT)).status_code == 400


@pytest.mark.conformance("B10")
async def test_if_match_guards_an_update(integrator: AsyncClient) -> None:
    await put(integrator, "Patient/p1", with_id(PATIENT, "p1"))
    changed = with_id(PATIENT.replace("Ada", "Eva"), "p1")
    assert (await put(integrator, "Patient/p1", changed, If_Match='W/"2"')).status_code == 412
    good = await put(integrator, "Patient/p1", changed, If_Match='W/"1"')
    assert good.status_code == 200
    assert good.headers["content-location"] == "http://test/fhir/Patient/p1/_history/2"
    refused = await integrator.delete("/fhir/Patient/p1", headers={"If-Match": 'W/"1"'})
    assert refused.status_code == 412


@pytest.mark.conformance("B11")
async def test_of_many_updates_with_the_same_tag_one_wins(integrator: AsyncClient) -> None:
    await put(integrator, "Patient/p1", with_id(PATIENT, "p1"))
    texts = [with_id(PATIENT.replace("Ada", f"Ada{number}"), "p1") for number in range(8)]
    answers = await asyncio.gather(*(put(integrator, "Patient/p1", text, If_Match='W/"1"') for text in texts))
    assert sorted(answer.status_code for answer in answers) == [200, *[412] * 7]
    assert (await integrator.get("/fhir/Patient/p1")).headers["etag"] == 'W/"2"'


@pytest.mark.conformance("B12")
async def test_of_many_conditional_creates_one_writes(integrator: AsyncClient) -> None:
    condition = "identifier=https://clinic.example.org/mrn|A-1"
    answers = await asyncio.gather(
        *(post(integrator, "Patient", PATIENT, If_None_Exist=condition) for _ in range(8))
    )
    assert sorted(answer.status_code for answer in answers) == [*[200] * 7, 201]
    assert len({answer.json()["id"] for answer in answers}) == 1
    await post(integrator, "Patient", PATIENT)
    assert (await post(integrator, "Patient", PATIENT, If_None_Exist=condition)).status_code == 412


@pytest.mark.conformance("B13", "B14")
async def test_conditional_update_and_delete(integrator: AsyncClient) -> None:
    where = "Patient?identifier=https://clinic.example.org/mrn%7CA-1"
    made = await put(integrator, where, PATIENT)
    changed = await put(integrator, where, PATIENT.replace("Ada", "Eva"))
    assert (made.status_code, changed.status_code) == (201, 200)
    assert changed.json()["id"] == made.json()["id"]
    assert (await integrator.delete("/fhir/Patient")).status_code in {400, 412}
    assert (await put(integrator, "Patient", PATIENT)).status_code == 400
    assert (await integrator.delete(f"/fhir/{where}")).status_code == 204
    assert (await integrator.get(f"/fhir/Patient/{made.json()['id']}")).status_code == 410


@pytest.mark.conformance("B22")
@pytest.mark.parametrize(
    ("wanted", "body"),
    [
        ("return=minimal", None),
        ("return=representation", "Patient"),
        ("return=OperationOutcome", "OperationOutcome"),
        ("respond-async, return=minimal", None),
        ("return=nonsense", "Patient"),
    ],
)
async def test_prefer_decides_what_a_write_answers(
    integrator: AsyncClient, wanted: str, body: str | None
) -> None:
    answer = await post(integrator, "Patient", PATIENT, Prefer=wanted)
    assert answer.status_code == 201
    assert (answer.json()["resourceType"] if answer.content else None) == body
    assert answer.headers["location"]
    applied = answer.headers.get("preference-applied", "")
    assert applied in wanted
    assert bool(applied) == ("nonsense" not in wanted)


@pytest.mark.conformance("B3")
@pytest.mark.parametrize(
    ("header", "value", "status"),
    [
        ("If-None-Match", 'W/"1"', 304),
        ("If-None-Match", 'W/"7", W/"1"', 304),
        ("If-None-Match", "*", 304),
        ("If-None-Match", 'W/"2"', 200),
        ("If-Modified-Since", "Mon, 01 Jun 2026 09:00:00 GMT", 304),
        ("If-Modified-Since", "Mon, 01 Jun 2026 08:59:59 GMT", 200),
        ("If-Modified-Since", "Mon, 01 Jun 2026 09:00:00 -0000", 304),
        ("If-Modified-Since", "yesterday", 200),
    ],
)
async def test_conditional_read(integrator: AsyncClient, header: str, value: str, status: int) -> None:
    await put(integrator, "Patient/p1", with_id(PATIENT, "p1"))
    answer = await integrator.get("/fhir/Patient/p1", headers={header: value})
    assert answer.status_code == status
    assert answer.headers["etag"] == 'W/"1"'
    assert bool(answer.content) == (status == 200)


@pytest.mark.conformance("A10")
async def test_head_is_a_get_without_the_body(integrator: AsyncClient) -> None:
    await put(integrator, "Patient/p1", with_id(PATIENT, "p1"))
    for path in (
        "/fhir/Patient/p1",
        "/fhir/Patient?name=probe",
        "/fhir/metadata",
        "/health/live",
        "/fhir/Patient/x",
    ):
        got, head = await integrator.get(path), await integrator.head(path)
        assert head.status_code == got.status_code
        assert head.content == b""
        same = {name: value for name, value in got.headers.items() if name != "x-request-id"}
        assert {name: head.headers[name] for name in same} == same


@pytest.mark.conformance("A3")
@pytest.mark.parametrize("type_", ["application/json", "text/json"])
async def test_a_generic_json_client_is_answered_in_its_words(integrator: AsyncClient, type_: str) -> None:
    headers = {"Content-Type": type_, "Accept": type_}
    made = await integrator.post("/fhir/Patient", content=PATIENT, headers=headers)
    assert made.status_code == 201
    assert made.headers["content-type"].startswith(type_)


@pytest.mark.conformance("A7")
async def test_406_comes_before_anything_is_written(integrator: AsyncClient) -> None:
    refused = await post(integrator, "Patient", PATIENT, Accept="text/turtle")
    assert refused.status_code == 406
    assert refused.json()["resourceType"] == "OperationOutcome"
    assert (await integrator.get("/fhir/Patient?_format=ttl")).status_code == 406
    assert (await integrator.get("/fhir/Patient")).json()["total"] == 0


@pytest.mark.conformance("A7", "A22")
@pytest.mark.parametrize("type_", ["text/turtle", "text/plain", "application/x-www-form-urlencoded", ""])
async def test_415_for_other_bodies(integrator: AsyncClient, type_: str) -> None:
    for method, path in (("POST", "Patient"), ("PUT", "Patient/p1"), ("PUT", "Patient?_id=p1"), ("POST", "")):
        answer = await integrator.request(
            method, f"/fhir/{path}", content=PATIENT, headers={"Content-Type": type_}
        )
        assert answer.status_code == 415, path


@pytest.mark.conformance("A15", "B6")
async def test_structure_faults_are_400_with_expressions(integrator: AsyncClient) -> None:
    bad: dict[str, Any] = json.loads(PATIENT) | {"birthDate": "2020-13-40", "gendr": "female", "name": "Ada"}
    answer = await post(integrator, "Patient", json.dumps(bad))
    assert answer.status_code == 400
    told = {issue["expression"][0]: issue for issue in answer.json()["issue"]}
    assert {"Patient.birthDate", "Patient", "Patient.name"} <= told.keys()
    assert told["Patient"]["diagnostics"] == "Patient.gendr"
    assert "'gendr'" in told["Patient"]["details"]["text"]


@pytest.mark.conformance("A17")
async def test_links_lead_to_the_address_that_was_asked(integrator: AsyncClient) -> None:
    integrator.headers["Host"] = "hospital.example.org"
    made = await post(integrator, "Patient", PATIENT)
    assert made.headers["location"].startswith("http://hospital.example.org/fhir/Patient/")


@pytest.mark.conformance("A17")
async def test_a_configured_address_wins_over_the_requested_one(
    settings: Settings, integrator: AsyncClient
) -> None:
    public = settings.model_copy(update={"base_url": "https://fhir.example.org/swallow/"})
    app = create_app(public, clock=lambda: NOW)
    async with (
        app.router.lifespan_context(app),
        AsyncClient(transport=ASGITransport(app), base_url="http://in", headers=integrator.headers) as client,
    ):
        made = await post(client, "Patient", PATIENT)
        assert made.headers["location"].startswith("https://fhir.example.org/swallow/fhir/Patient/")
        found = (await client.get("/fhir/Patient")).json()
        assert found["entry"][0]["fullUrl"].startswith("https://fhir.example.org/swallow/fhir/Patient/")
        statement = (await client.get("/fhir/metadata")).json()
        assert statement["implementation"]["url"] == "https://fhir.example.org/swallow/fhir"


async def test_answers_are_not_kept_by_caches(integrator: AsyncClient) -> None:
    for path in ("/fhir/Patient/none", "/fhir/Patient", "/fhir/metadata"):
        answer = await integrator.get(path)
        assert answer.headers["cache-control"] == "no-store"
        assert answer.headers["x-content-type-options"] == "nosniff"


@pytest.mark.conformance("B7")
async def test_an_id_that_cannot_be_is_refused(integrator: AsyncClient) -> None:
    for id_ in ("a%20b", "%27%3B--", "a" * 65, "%F0%9F%98%80", "..%2f..%2fetc"):
        answer = await integrator.get(f"/fhir/Patient/{id_}")
        assert answer.status_code in {400, 404}, id_
        assert answer.json()["resourceType"] == "OperationOutcome"
        assert (await put(integrator, f"Patient/{id_}", with_id(PATIENT, "x"))).status_code in {400, 404}
