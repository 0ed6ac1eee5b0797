"""$everything and $lastn, and searches over several types (FHIR R4 operations.html, http.html)."""

from collections.abc import AsyncIterator, Callable
from datetime import UTC, datetime, timedelta
from itertools import count
from typing import Any

import pytest
from fastapi import FastAPI
from httpx import ASGITransport, AsyncClient, Response

from service.app import create_app
from service.settings import Settings

pytestmark = pytest.mark.anyio

START = datetime(2026, 6, 1, 9, 0, tzinfo=UTC)
BASE = "http://test/fhir/"


@pytest.fixture
async def app(settings: Settings) -> AsyncIterator[FastAPI]:
    """A service whose clock goes on by a second whenever it is asked."""
    ticks = count()
    app = create_app(settings, clock=lambda: START + timedelta(seconds=next(ticks)))
    async with app.router.lifespan_context(app):
        yield app


def reference(name: str) -> dict[str, str]:
    return {"reference": name}


def coded(code: str) -> dict[str, Any]:
    return {"coding": [{"system": "http://loinc.org", "code": code}]}


def observation(patient: str, code: str, when: str, **more: Any) -> dict[str, Any]:
    time = {"effectiveDateTime": when} if when else {}
    return {
        "status": "final",
        "code": coded(code),
        "subject": reference(f"Patient/{patient}"),
        **time,
        **more,
    }


RESOURCES: dict[str, dict[str, Any]] = {
    "Organization/clinic": {"name": "Clinic"},
    "Organization/other": {"name": "Other"},
    "Practitioner/slp": {"name": [{"family": "Probe"}]},
    "Patient/p": {"managingOrganization": reference("Organization/clinic")},
    "Patient/q": {},
    "Encounter/e": {
        "status": "finished",
        "class": {"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "AMB"},
        "subject": reference("Patient/p"),
        "participant": [{"individual": reference("Practitioner/slp")}],
        "period": {"start": "2026-02-01", "end": "2026-02-01"},
    },
    "Observation/early": observation("p", "29463-7", "2026-01-10", encounter=reference("Encounter/e")),
    "Observation/late": observation("p", "29463-7", "2026-03-10", performer=[reference("Practitioner/slp")]),
    "Observation/undated": observation("p", "8302-2", ""),
    "Observation/foreign": observation("q", "29463-7", "2026-02-10"),
    "Goal/g": {
        "lifecycleStatus": "active",
        "description": {"text": "x"},
        "subject": reference("Patient/p"),
        "startDate": "2026-02-15",
    },
}


@pytest.fixture
async def filled(integrator: AsyncClient) -> AsyncClient:
    for name, more in RESOURCES.items():
        type_, id_ = name.split("/")
        answer = await integrator.put(f"/fhir/{name}", json={"resourceType": type_, "id": id_, **more})
        assert answer.status_code == 201, answer.text
    return integrator


def found(answer: Response, mode: str = "") -> list[str]:
    assert answer.status_code == 200, answer.text
    return [
        entry["fullUrl"].removeprefix(BASE)
        for entry in answer.json().get("entry", [])
        if entry["search"]["mode"] in {mode, entry["search"]["mode"] if not mode else ""}
    ]


MINE = ["Patient/p", "Encounter/e", "Observation/early", "Observation/late", "Observation/undated", "Goal/g"]


@pytest.mark.conformance("F2")
async def test_everything_of_a_patient(filled: AsyncClient) -> None:
    answer = await filled.get("/fhir/Patient/p/$everything")
    assert answer.json()["type"] == "searchset"
    assert found(answer, "match") == MINE
    assert found(answer, "include") == ["Organization/clinic", "Practitioner/slp"]
    posted = await filled.post("/fhir/Patient/p/$everything")
    assert posted.json()["entry"] == answer.json()["entry"]


@pytest.mark.conformance("F2")
@pytest.mark.parametrize(
    ("query", "wanted"),
    [
        ("start=2026-02-01", [name for name in MINE if name != "Observation/early"]),
        ("end=2026-01-31", ["Patient/p", "Observation/early", "Observation/undated"]),
        ("start=2026-02-01&end=2026-02-28", ["Patient/p", "Encounter/e", "Observation/undated", "Goal/g"]),
        ("_type=Goal,Encounter", ["Encounter/e", "Goal/g"]),
        ("_type=Goal&_type=Patient", ["Patient/p", "Goal/g"]),
        ("_type=Practitioner", []),
        ("_since=2027", []),
        ("_since=2026", MINE),
    ],
)
async def test_everything_narrowed(filled: AsyncClient, query: str, wanted: list[str]) -> None:
    assert found(await filled.get(f"/fhir/Patient/p/$everything?{query}"), "match") == wanted


@pytest.mark.conformance("F2")
async def test_everything_in_pages(filled: AsyncClient) -> None:
    url, matches, pages = "/fhir/Patient/p/$everything?_count=2&start=2026-01-20", [], 0
    while url:
        page = await filled.get(url)
        matches += found(page, "match")
        links = {link["relation"]: link["url"] for link in page.json()["link"]}
        assert "start=2026-01-20" in links["self"]
        url, pages = links.get("next", ""), pages + 1
    assert matches == [name for name in MINE if name != "Observation/early"]
    assert pages >= 2


@pytest.mark.conformance("F2", "F1")
@pytest.mark.parametrize(
    ("query", "status"),
    [("_count=0", 400), ("_count=x", 400), ("start=x", 400), ("_type=Nothing", 400), ("name=x", 400)],
)
async def test_everything_refuses_what_it_cannot_use(filled: AsyncClient, query: str, status: int) -> None:
    assert (await filled.get(f"/fhir/Patient/p/$everything?{query}")).status_code == status


@pytest.mark.conformance("F2")
async def test_everything_of_nobody(filled: AsyncClient) -> None:
    assert (await filled.get("/fhir/Patient/none/$everything")).status_code == 404
    await filled.delete("/fhir/Patient/q")
    assert (await filled.get("/fhir/Patient/q/$everything")).status_code == 410


@pytest.mark.conformance("F2")
async def test_everything_is_what_the_caller_may_read(
    app: FastAPI, filled: AsyncClient, sign: Callable[..., str]
) -> None:
    headers = {"Authorization": f"Bearer {sign('user/Patient.r user/Goal.r user/Practitioner.r')}"}
    async with AsyncClient(transport=ASGITransport(app), base_url="http://test", headers=headers) as client:
        assert found(await client.get("/fhir/Patient/p/$everything")) == ["Patient/p", "Goal/g"]
        assert (await client.get("/fhir/Encounter/e/$everything")).status_code == 403
    assert filled


@pytest.mark.conformance("F3")
async def test_everything_of_an_encounter(filled: AsyncClient) -> None:
    answer = await filled.get("/fhir/Encounter/e/$everything")
    assert found(answer, "match") == ["Encounter/e", "Observation/early"]
    assert found(answer, "include") == ["Patient/p", "Practitioner/slp"]


@pytest.mark.conformance("F4")
async def test_the_newest_of_each_code(filled: AsyncClient) -> None:
    newest = await filled.get("/fhir/Observation/$lastn?patient=p")
    assert found(newest) == ["Observation/late", "Observation/undated"]
    assert newest.json()["total"] == 2
    two = await filled.get("/fhir/Observation/$lastn?subject=Patient/p&max=2&code=29463-7")
    assert found(two) == ["Observation/late", "Observation/early"]
    body = {
        "resourceType": "Parameters",
        "parameter": [{"name": "patient", "valueString": "p"}, {"name": "max", "valuePositiveInt": 1}],
    }
    assert found(await filled.post("/fhir/Observation/$lastn", json=body)) == found(newest)


@pytest.mark.conformance("F4")
async def test_ties_and_codes_with_translations(filled: AsyncClient) -> None:
    both = {"coding": [*coded("29463-7")["coding"], {"system": "urn:local", "code": "weight"}]}
    local = {"coding": [{"system": "urn:local", "code": "weight"}]}
    for id_, code in (("tie", both), ("local", local)):
        tree = observation("p", "x", "2026-03-10") | {
            "resourceType": "Observation",
            "id": id_,
            "code": code,
        }
        await filled.put(f"/fhir/Observation/{id_}", json=tree)
    answer = await filled.get("/fhir/Observation/$lastn?patient=p&max=2")
    assert set(found(answer)) == {f"Observation/{id_}" for id_ in ("late", "tie", "local", "undated")}


@pytest.mark.conformance("F4", "F1")
@pytest.mark.parametrize(
    "query", ["", "max=0&patient=p", "max=x&patient=p", "patient=p&nonsense=1", "code=29463-7"]
)
async def test_lastn_refuses_what_it_cannot_use(filled: AsyncClient, query: str) -> None:
    assert (await filled.get(f"/fhir/Observation/$lastn?{query}")).status_code == 400


@pytest.mark.conformance("D30")
async def test_search_over_several_types(filled: AsyncClient) -> None:
    for path in ("/fhir", "/fhir/"):
        assert found(await filled.get(f"{path}?_type=Goal,Encounter")) == ["Encounter/e", "Goal/g"]
    form = {"Content-Type": "application/x-www-form-urlencoded"}
    posted = await filled.post("/fhir/_search", content="_type=Goal", headers=form)
    assert found(posted) == ["Goal/g"]
    assert len(found(await filled.get("/fhir?_type=Goal,Encounter&_id=e,g"))) == 2
    assert (await filled.get("/fhir?_type=Goal,Patient&lifecycle-status=active")).status_code == 400
    assert (await filled.get("/fhir?_type=Nothing")).status_code == 400


@pytest.mark.conformance("D29")
async def test_compartments(filled: AsyncClient) -> None:
    assert found(await filled.get("/fhir/Patient/p/Observation?code=29463-7")) == [
        "Observation/early",
        "Observation/late",
    ]
    assert found(await filled.get("/fhir/Practitioner/slp/Observation")) == ["Observation/late"]
    assert found(await filled.get("/fhir/Encounter/e/Observation")) == ["Observation/early"]
    assert set(found(await filled.get("/fhir/Patient/p/*"))) == set(MINE) - {"Patient/p"}
    form = {"Content-Type": "application/x-www-form-urlencoded"}
    posted = await filled.post("/fhir/Patient/p/Goal/_search", content="_count=5", headers=form)
    assert found(posted) == ["Goal/g"]
    for path in ("Patient/p/Organization", "Patient/p/Nothing", "Organization/clinic/Patient", "Goal/g/Goal"):
        assert (await filled.get(f"/fhir/{path}")).status_code == 404, path


@pytest.mark.conformance("C9", "D29")
async def test_compartments_in_a_batch_and_a_transaction(filled: AsyncClient) -> None:
    urls = ["Patient/p/Observation?code=29463-7", "Encounter/e/*", "Organization/clinic/Goal"]
    entries = [{"request": {"method": "GET", "url": url}} for url in urls]
    bundle = {"resourceType": "Bundle", "type": "batch", "entry": entries}
    answers = (await filled.post("/fhir", json=bundle)).json()["entry"]
    assert [one["response"]["status"][:3] for one in answers] == ["200", "200", "404"]
    assert [one["resource"]["total"] for one in answers[:2]] == [2, 1]
    whole = await filled.post("/fhir", json=bundle | {"type": "transaction", "entry": entries[:2]})
    assert [one["resource"]["total"] for one in whole.json()["entry"]] == [2, 1]


@pytest.mark.conformance("D29")
async def test_a_compartment_holds_no_other_of_its_own_type(filled: AsyncClient) -> None:
    assert found(await filled.get("/fhir/Encounter/e/Encounter")) == []
