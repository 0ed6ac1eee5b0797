"""Operations as entries of a Bundle: each answers what its own request would (FHIR R4 http.html)."""

from typing import Any

import pytest
from httpx import AsyncClient, Response

from service.rest.routes import FHIR_ROUTES

pytestmark = [pytest.mark.anyio, pytest.mark.conformance("C13")]

OTHERS = {
    "resourceType": "Parameters",
    "parameter": [{"name": "meta", "valueMeta": {"tag": [{"code": "x"}]}}],
}
GENDER = "http://hl7.org/fhir/administrative-gender"
PATIENT = {"resourceType": "Patient", "id": "p", "gender": "female"}
OBSERVATION = {
    "resourceType": "Observation",
    "id": "o",
    "status": "final",
    "code": {"coding": [{"system": "http://loinc.org", "code": "29463-7"}]},
    "subject": {"reference": "Patient/p"},
    "effectiveDateTime": "2026-02-04",
    "valueQuantity": {"value": 72.50, "unit": "kg", "system": "http://unitsofmeasure.org", "code": "kg"},
}
READING = [
    ("GET", "$versions", None),
    ("POST", "$versions", None),
    ("GET", "Patient/p/$everything", None),
    ("POST", "Patient/p/$everything?_type=Observation", {"resourceType": "Parameters"}),
    ("GET", "Observation/$lastn?patient=p&max=1", None),
    (
        "POST",
        "Observation/$lastn",
        {"resourceType": "Parameters", "parameter": [{"name": "patient", "valueString": "Patient/p"}]},
    ),
    ("GET", "Patient/p/$meta", None),
    ("GET", "Patient/p/$goal-attainment?date=2026-03-01", None),
    ("POST", "Observation/$validate", OBSERVATION | {"status": "done"}),
    ("GET", "Observation/o/$validate", None),
    ("GET", f"CodeSystem/$lookup?system={GENDER}&code=female", None),
    ("GET", f"CodeSystem/$validate-code?url={GENDER}&code=femal%65", None),
    ("GET", f"CodeSystem/$subsumes?system={GENDER}&codeA=male&codeB=female", None),
    ("GET", "ValueSet/$validate-code?url=http://hl7.org/fhir/ValueSet/gender-identity&code=x", None),
    ("GET", "ValueSet/$expand?url=http://hl7.org/fhir/ValueSet/administrative-gender&count=2", None),
    ("GET", "ConceptMap/swallow-value-to-standard/$translate?code=nothing&system=urn:x", None),
]
REFUSED = [
    ("GET", "Patient/none/$everything", None),
    ("GET", "Observation/$lastn", None),
    ("GET", "Patient/p/$nonsense", None),
    ("POST", "Patient/$everything", None),
    ("PUT", "Patient/p/$meta", None),
    ("GET", "Patient/p/$meta?wrong=1", None),
    ("GET", "CodeSystem/$lookup?system=urn:none&code=x", None),
    ("GET", "Claim/x/$meta", None),
]


def bundle(type_: str, *entries: tuple[str, str, dict[str, Any] | None]) -> dict[str, Any]:
    listed = [
        {"request": {"method": method, "url": url}} | ({"resource": body} if body else {})
        for method, url, body in entries
    ]
    return {"resourceType": "Bundle", "type": type_, "entry": listed}


async def entries(client: AsyncClient, type_: str, *asked: Any, **headers: str) -> list[dict[str, Any]]:
    answer = await client.post("/fhir", json=bundle(type_, *asked), headers=headers)
    assert answer.status_code == 200, answer.text
    assert answer.json()["type"] == f"{type_}-response"
    found: list[dict[str, Any]] = answer.json()["entry"]
    return found


def comparable(tree: Any) -> Any:
    """Without what differs each time, and without places in the text, which an entry does not have."""
    if isinstance(tree, list):
        return [comparable(one) for one in tree]
    if not isinstance(tree, dict):
        return tree
    passing = {"timestamp", "identifier"} if "timestamp" in tree else set()
    lines = {"extension", "diagnostics"} if "severity" in tree else set()
    return {name: comparable(value) for name, value in tree.items() if name not in passing | lines}


@pytest.fixture
async def stored(integrator: AsyncClient) -> AsyncClient:
    for tree in (PATIENT, OBSERVATION):
        assert (await integrator.put(f"/fhir/{tree['resourceType']}/{tree['id']}", json=tree)).is_success
    return integrator


async def alone(client: AsyncClient, method: str, url: str, body: dict[str, Any] | None) -> Response:
    return await client.request(method, f"/fhir/{url}", json=body)


@pytest.mark.parametrize("type_", ["batch", "transaction"])
async def test_what_reads_answers_as_on_its_own(stored: AsyncClient, type_: str) -> None:
    found = await entries(stored, type_, *READING)
    for asked, entry in zip(READING, found, strict=True):
        own = await alone(stored, *asked)
        assert own.status_code == 200, (asked, own.text)
        assert entry["response"]["status"] == "200 OK", (asked, entry)
        assert comparable(entry["resource"]) == comparable(own.json()), asked


async def test_a_batch_tells_of_each_why_not(stored: AsyncClient) -> None:
    found = await entries(stored, "batch", *REFUSED, ("GET", "Patient/p/$meta", None))
    for asked, entry in zip(REFUSED, found, strict=False):
        own = await alone(stored, *asked)
        assert entry["response"]["status"][:3] == str(own.status_code) or asked[0] == "PUT", (asked, entry)
        assert entry["response"]["status"][0] == "4"
        assert entry["response"]["outcome"]["issue"][0]["details"]["text"]
    assert found[-1]["response"]["status"] == "200 OK"


@pytest.mark.parametrize("asked", REFUSED)
async def test_a_transaction_fails_with_what_it_calls(
    stored: AsyncClient, asked: tuple[str, str, dict[str, Any] | None]
) -> None:
    changed = PATIENT | {"active": True}
    answer = await stored.post("/fhir", json=bundle("transaction", ("PUT", "Patient/p", changed), asked))
    assert answer.is_client_error, answer.text
    assert answer.json()["issue"][0]["expression"][0].startswith("Bundle.entry[1]")
    assert "active" not in (await stored.get("/fhir/Patient/p")).json()


async def test_a_batch_may_change_labels(stored: AsyncClient) -> None:
    found = await entries(stored, "batch", ("POST", "Patient/p/$meta-add", OTHERS))
    assert found[0]["resource"]["parameter"][0]["valueMeta"]["tag"] == [{"code": "x"}]
    stale = bundle("batch", ("POST", "Patient/p/$meta-delete", OTHERS))
    stale["entry"][0]["request"]["ifMatch"] = 'W/"1"'
    (entry,) = (await stored.post("/fhir", json=stale)).json()["entry"]
    assert entry["response"]["status"].startswith("412")
    assert (await stored.get("/fhir/Patient/p")).json()["meta"]["tag"] == [{"code": "x"}]


@pytest.mark.parametrize("name", ["meta-add", "meta-delete", "record-goal-attainment"])
async def test_in_a_transaction_an_operation_changes_nothing(stored: AsyncClient, name: str) -> None:
    answer = await stored.post("/fhir", json=bundle("transaction", ("POST", f"Patient/p/${name}", OTHERS)))
    assert answer.status_code == 400
    (issue,) = answer.json()["issue"]
    assert (issue["code"], issue["expression"]) == ("not-supported", ["Bundle.entry[0]"])
    assert "batch" in issue["details"]["text"]


async def test_a_transaction_can_not_try_a_write(stored: AsyncClient) -> None:
    trial = ("POST", "Observation/o/$validate?mode=update", OBSERVATION)
    answer = await stored.post("/fhir", json=bundle("transaction", trial))
    assert (answer.status_code, answer.json()["issue"][0]["code"]) == (400, "not-supported")
    (entry,) = await entries(stored, "batch", trial)
    assert entry["resource"]["resourceType"] == "OperationOutcome"


async def test_in_a_transaction_they_see_what_is_written(stored: AsyncClient) -> None:
    newer = OBSERVATION | {"id": "n", "effectiveDateTime": "2026-03-04"}
    calls = [("GET", "Observation/$lastn?patient=p", None), ("GET", "Patient/q/$everything", None)]
    writes = [("PUT", "Observation/n", newer), ("PUT", "Patient/q", PATIENT | {"id": "q"})]
    lastn, everything, *_ = await entries(stored, "transaction", *calls, *writes)
    assert [one["resource"]["id"] for one in lastn["resource"]["entry"]] == ["n"]
    assert [one["resource"]["id"] for one in everything["resource"]["entry"]] == ["q"]


@pytest.mark.conformance("C14")
@pytest.mark.usefixtures("stored")
@pytest.mark.parametrize("type_", ["batch", "transaction"])
async def test_each_needs_its_own_right(clinician: AsyncClient, type_: str) -> None:
    asked = ("POST", "Patient/p/$meta-add", OTHERS)
    answer = await clinician.post("/fhir", json=bundle(type_, asked))
    statuses = (
        [one["response"]["status"][:3] for one in answer.json()["entry"]]
        if type_ == "batch"
        else [str(answer.status_code)]
    )
    assert statuses == ["403"]


async def test_a_lenient_caller_is_lenient_in_entries(stored: AsyncClient) -> None:
    asked = ("GET", "Observation/$lastn?patient=p&nonsense=1", None)
    (refused,) = await entries(stored, "batch", asked)
    assert refused["response"]["status"].startswith("400")
    (found,) = await entries(stored, "batch", asked, Prefer="Handling=Lenient, respond-async")
    assert found["response"]["status"] == "200 OK"


async def test_a_head_leaves_the_resource_out(stored: AsyncClient) -> None:
    (entry,) = await entries(stored, "batch", ("HEAD", "Patient/p/$meta", None))
    assert entry == {"response": {"status": "200 OK"}}


async def test_the_bundle_may_be_xml_and_come_through_a_proxy(stored: AsyncClient) -> None:
    asked = ("GET", "Patient/p/$everything", None)
    answer = await stored.post(
        "/fhir", json=bundle("batch", asked), headers={"Accept": "application/fhir+xml", "X-Request-Id": "a"}
    )
    assert answer.headers["content-type"] == "application/fhir+xml"
    assert '<fullUrl value="http://test/fhir/Patient/p"/>' in answer.text


async def test_every_operation_there_is_is_called(stored: AsyncClient) -> None:
    """With what is in the address alone: whatever that means to it, an entry is told the same.

    What answers rows, or later, has no place in a Bundle, and is not there for an entry.
    """
    for row in (row for row in FHIR_ROUTES if row.operation):
        url = row.path.removeprefix("/fhir/").replace("{type}", "Patient").replace("{id}", "p")
        own = await alone(stored, row.method, url, None)
        (entry,) = await entries(stored, "batch", (row.method, url, None))
        apart = row.produces or row.operation.endswith("export")
        told = "404" if apart else str(own.status_code)
        assert entry["response"]["status"][:3] == told, (row.method, url, entry)
