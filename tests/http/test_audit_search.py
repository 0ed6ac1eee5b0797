"""Reading the audit trail: by whom, by what, page by page, and never changing it."""

import pytest

pytestmark = [pytest.mark.anyio, pytest.mark.conformance("L2")]
PERSON = {"resourceType": "Patient", "id": "p1", "name": [{"family": "HTEST"}]}


@pytest.fixture
def auditor(client_of):
    return client_of("auditor")


@pytest.fixture
async def seen(integrator, clinician):
    """A person who was written, read twice, and looked for in vain."""
    await integrator.put("/fhir/Patient/p1", json=PERSON)
    for _ in range(2):
        await integrator.get("/fhir/Patient/p1")
    await integrator.get("/fhir/Patient/p2")
    await clinician.get("/fhir/Observation/o1")


async def found(client, query):
    answer = await client.get(f"/fhir/AuditEvent?{query}")
    assert answer.status_code == 200, answer.text
    bundle = answer.json()
    assert all(entry["resource"]["resourceType"] == "AuditEvent" for entry in bundle.get("entry", ()))
    return bundle["total"]


@pytest.mark.parametrize(
    ("query", "count"),
    [
        ("patient=p1", 3),
        ("patient=Patient/p1", 3),
        ("patient=p2", 1),
        ("patient=nobody", 0),
        ("entity=Observation/o1", 1),
        ("entity=Patient/p1,Patient/p2", 4),
        ("action=C", 1),
        ("action=R", 4),
        ("action:not=R&subtype:not=link", 1),
        ("outcome=4", 2),
        ("outcome=http://hl7.org/fhir/audit-event-outcome|4", 2),
        ("subtype=read", 4),
        ("subtype=http://hl7.org/fhir/restful-interaction|read", 4),
        ("subtype=http://example.org|read", 0),
        ("type=rest", 5),
        ("type=http://dicom.nema.org/resources/ontology/DCM|110100&subtype:not=link", 0),
        ("altid=test", 5),
        ("altid=nobody", 0),
        ("date=2026-06-01&subtype:not=link", 5),
        ("date=lt2026-06-01", 0),
        ("date=ge2026-06-01T09:00:00Z&date=le2026-06-01T09:00:00Z&subtype:not=link", 5),
        ("_lastUpdated=gt2026-06-02", 0),
        ("patient=p1&action=R&subtype=read&_sort=-date&_count=1", 2),
        ("patient=p1&_summary=count", 3),
    ],
)
@pytest.mark.usefixtures("seen")
async def test_what_events_are_found_by(auditor, query, count):
    assert await found(auditor, query) == count


@pytest.mark.usefixtures("seen")
async def test_one_event_is_read_by_its_id_and_has_one_version(auditor):
    newest = (await auditor.get("/fhir/AuditEvent?_count=1")).json()["entry"][0]
    id_ = newest["resource"]["id"]
    assert newest["fullUrl"].endswith(f"/AuditEvent/{id_}")
    for address in (f"/fhir/AuditEvent/{id_}", f"/fhir/AuditEvent/{id_}/_history/1"):
        answer = await auditor.get(address)
        assert answer.json() == newest["resource"]
        assert answer.headers["etag"] == 'W/"1"'
    assert (await auditor.get(f"/fhir/AuditEvent/{id_}/_history/2")).status_code == 404
    assert (await auditor.get(f"/fhir/AuditEvent?_id={id_}")).json()["total"] == 1
    history = (await auditor.get(f"/fhir/AuditEvent/{id_}/_history")).json()
    assert [entry["resource"] for entry in history["entry"]] == [newest["resource"]]


@pytest.mark.usefixtures("seen")
async def test_pages_end_with_the_first_event(auditor):
    address, ids = "/fhir/AuditEvent?_count=2&type=rest&date=lt2026-06-02", []
    while address:
        page = (await auditor.get(address)).json()
        ids += [entry["resource"]["id"] for entry in page["entry"]]
        address = next((link["url"] for link in page["link"] if link["relation"] == "next"), None)
    assert len(ids) == len(set(ids))
    assert len(ids) >= 5


@pytest.mark.parametrize(
    "query", ["address=1", "agent.name=x", "action:missing=true", "_sort=outcome", "_has:Patient:link:_id=x"]
)
async def test_what_they_are_not_found_by(auditor, query):
    answer = await auditor.get(f"/fhir/AuditEvent?{query}")
    assert answer.status_code in {400, 403}


@pytest.mark.parametrize("role", ["clinician", "researcher", "nobody", "stranger"])
async def test_others_see_none(client_of, integrator, role):
    await integrator.put("/fhir/Patient/p1", json=PERSON)
    answer = await client_of(role).get("/fhir/AuditEvent")
    if answer.status_code == 200:
        assert answer.json()["total"] == 0
    else:
        assert answer.status_code in {401, 403}


@pytest.mark.parametrize(
    ("method", "path"),
    [
        ("POST", "/fhir/AuditEvent"),
        ("PUT", "/fhir/AuditEvent/x-1"),
        ("PATCH", "/fhir/AuditEvent/x-1"),
        ("DELETE", "/fhir/AuditEvent/x-1"),
        ("DELETE", "/fhir/AuditEvent?action=R"),
        ("POST", "/fhir/AuditEvent/x-1/$meta-add"),
    ],
)
async def test_nobody_writes_them(integrator, method, path):
    headers = {"Content-Type": "application/json-patch+json"} if method == "PATCH" else {}
    content = "[]" if method == "PATCH" else '{"resourceType": "AuditEvent", "id": "x-1"}'
    answer = await integrator.request(
        method, path, content=content, headers=headers or {"Content-Type": "application/fhir+json"}
    )
    assert answer.status_code in {400, 405}


@pytest.mark.usefixtures("seen")
async def test_they_are_apart_from_what_is_stored(integrator, auditor):
    for address in ("/fhir/_history", "/fhir/AuditEvent/_history", "/fhir/Patient/p1/$everything", "/fhir"):
        answer = await integrator.get(address)
        assert answer.status_code == 200, answer.text
        types = {entry["resource"]["resourceType"] for entry in answer.json().get("entry", ())}
        assert "AuditEvent" not in types, address
    assert await found(auditor, "patient=p1") > 3


async def test_the_capability_statement_says_so(stranger):
    statement = (await stranger.get("/fhir/metadata")).json()
    (own,) = [one for one in statement["rest"][0]["resource"] if one["type"] == "AuditEvent"]
    names = {"_id", "_lastUpdated", "action", "agent", "altid", "date", "entity", "outcome", "patient"}
    assert {one["name"] for one in own["searchParam"]} == names | {"subtype", "type"}
    assert {one["code"] for one in own["interaction"]}.isdisjoint({"create", "update", "patch", "delete"})
    assert "searchInclude" not in own
