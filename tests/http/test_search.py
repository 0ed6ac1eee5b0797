"""Search and paging over HTTP (FHIR R4 search.html)."""

import json
from typing import Any

import pytest
from httpx import AsyncClient

pytestmark = pytest.mark.anyio

CODE = {"coding": [{"system": "http://loinc.org", "code": "29463-7"}]}


async def load(client: AsyncClient, count: int) -> None:
    """Store one patient with ``count`` weights, a day apart."""
    patient = {"resourceType": "Patient", "id": "p1", "name": [{"family": "Prøbe", "given": ["Ada"]}]}
    weights = [
        {
            "resourceType": "Observation",
            "id": f"w{number}",
            "status": "final",
            "code": CODE,
            "subject": {"reference": "Patient/p1"},
            "effectiveDateTime": f"2026-05-{number + 1:02}",
        }
        for number in range(count)
    ]
    entries = [
        {"resource": item, "request": {"method": "PUT", "url": f"{item['resourceType']}/{item['id']}"}}
        for item in [patient, *weights]
    ]
    bundle = {"resourceType": "Bundle", "type": "transaction", "entry": entries}
    answer = await client.post("/fhir", json=bundle, headers={"Content-Type": "application/fhir+json"})
    assert answer.status_code == 200, answer.text


def link(bundle: dict[str, Any], relation: str) -> str:
    return next((str(item["url"]) for item in bundle["link"] if item["relation"] == relation), "")


@pytest.mark.conformance("D4")
async def test_paging_walks_everything_once(integrator: AsyncClient) -> None:
    await load(integrator, 7)
    url, seen = "/fhir/Observation?patient=p1&_count=3", []
    while url:
        page = (await integrator.get(url)).json()
        assert page["total"] == 7
        assert all(entry["search"]["mode"] == "match" for entry in page["entry"])
        seen += [entry["resource"]["id"] for entry in page["entry"]]
        url = link(page, "next")
    assert sorted(seen) == [f"w{number}" for number in range(7)]


@pytest.mark.conformance("D1")
async def test_posted_search_equals_the_get(integrator: AsyncClient) -> None:
    await load(integrator, 3)
    got = (await integrator.get("/fhir/Observation?patient=p1&date=ge2026-05-02")).json()
    form = {"date": "ge2026-05-02"}
    posted = (await integrator.post("/fhir/Observation/_search?patient=p1", data=form)).json()
    assert got["total"] == posted["total"] == 2
    assert [entry["fullUrl"] for entry in got["entry"]] == [entry["fullUrl"] for entry in posted["entry"]]


async def test_a_posted_search_must_be_a_form(integrator: AsyncClient) -> None:
    answer = await integrator.post("/fhir/Patient/_search", json={"name": "x"})
    assert answer.status_code == 415


@pytest.mark.parametrize("body", [b"name=%ff", b"\xff", b"&".join([b"a=1"] * 2000)])
async def test_an_unreadable_form_is_refused(integrator: AsyncClient, body: bytes) -> None:
    headers = {"Content-Type": "application/x-www-form-urlencoded"}
    assert (await integrator.post("/fhir/Patient/_search", content=body, headers=headers)).status_code == 400


@pytest.mark.conformance("D6", "D3")
async def test_unknown_parameters_are_refused_unless_lenient(integrator: AsyncClient) -> None:
    await load(integrator, 1)
    strict = await integrator.get("/fhir/Patient?shoe-size=46")
    assert strict.status_code == 400
    lenient = await integrator.get("/fhir/Patient?shoe-size=46", headers={"Prefer": "handling=lenient"})
    assert lenient.json()["total"] == 1
    assert "shoe-size" not in link(lenient.json(), "self")


@pytest.mark.conformance("D7", "D8")
@pytest.mark.parametrize(
    "query",
    [
        "birthdate=2020-13",
        "name:nonsense=x",
        "_count=-1",
        "_count=x",
        "_sort=shoe-size",
        "_total=maybe",
        "birthdate=%00",
        "_after=xyz",
        "_lastUpdated=%F0%9F%98%80",
    ],
)
async def test_values_that_cannot_be_used_are_400(integrator: AsyncClient, query: str) -> None:
    answer = await integrator.get(f"/fhir/Patient?{query}")
    assert answer.status_code == 400, answer.text
    assert answer.json()["issue"]


async def test_format_is_no_search_parameter(integrator: AsyncClient) -> None:
    answer = await integrator.get("/fhir/Patient?_format=json&_pretty=true")
    assert answer.status_code == 200


async def test_a_search_needs_its_own_scope(integrator: AsyncClient, sign: Any) -> None:
    await load(integrator, 1)
    only_read = {"Authorization": f"Bearer {sign('user/Patient.r')}"}
    assert (await integrator.get("/fhir/Patient/p1", headers=only_read)).status_code == 200
    assert (await integrator.get("/fhir/Patient", headers=only_read)).status_code == 403


async def test_an_entry_is_the_stored_text(integrator: AsyncClient) -> None:
    await load(integrator, 1)
    read = await integrator.get("/fhir/Observation/w0")
    found = await integrator.get("/fhir/Observation?_id=w0")
    assert read.content in found.content
    assert json.loads(found.content)["entry"][0]["fullUrl"] == "http://test/fhir/Observation/w0"
