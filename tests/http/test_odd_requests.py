"""Odd but legal requests, as client libraries and proxies send them (FHIR R4 http.html, RFC 9110)."""

from typing import Any

import pytest
from httpx import AsyncClient, Response
from outcomes import texts

from service.fhir.search_parameters import stored_types

pytestmark = pytest.mark.anyio

PATIENT = {
    "resourceType": "Patient",
    "id": "p",
    "name": [{"family": "Zo\u00eb"}],
    "identifier": [{"system": "urn:x", "value": "1"}],
}
FORM = {"Content-Type": "application/x-www-form-urlencoded"}


@pytest.fixture
async def stored(integrator: AsyncClient) -> AsyncClient:
    assert (await put(integrator)).status_code == 201
    return integrator


async def put(client: AsyncClient, path: str = "/fhir/Patient/p", **headers: str) -> Response:
    named = {name.replace("_", "-"): value for name, value in headers.items()}
    return await client.put(path, json=PATIENT, headers=named)


async def batch(client: AsyncClient, *requests: dict[str, str]) -> list[dict[str, Any]]:
    entries = [
        {"request": request} | ({"resource": PATIENT} if request["method"] == "PUT" else {})
        for request in requests
    ]
    answer = await client.post("/fhir", json={"resourceType": "Bundle", "type": "batch", "entry": entries})
    found: list[dict[str, Any]] = answer.json()["entry"]
    return found


@pytest.mark.conformance("B10")
@pytest.mark.parametrize(
    ("tag", "status"), [('W/"7", W/"1"', 200), ('"1"', 200), ("*", 200), ('W/"7", "8"', 412), ('W/""', 400)]
)
async def test_if_match_is_a_list(stored: AsyncClient, tag: str, status: int) -> None:
    assert (await put(stored, If_Match=tag)).status_code == status
    (entry,) = await batch(stored, {"method": "PUT", "url": "Patient/p", "ifMatch": tag})
    assert entry["response"]["status"][:3] == str(status)


@pytest.mark.conformance("B8", "C7")
@pytest.mark.parametrize(("tag", "status"), [("*", 412), ('W/"1"', 412), ('W/"2"', 200)])
async def test_if_none_match_keeps_from_overwriting(stored: AsyncClient, tag: str, status: int) -> None:
    assert (await put(stored, If_None_Match=tag)).status_code == status
    (entry,) = await batch(stored, {"method": "PUT", "url": "Patient/p", "ifNoneMatch": tag})
    assert entry["response"]["status"][:3] == str(status)
    assert (await stored.delete("/fhir/Patient/p")).status_code == 204
    assert (await put(stored, If_None_Match="*")).status_code == 201, "there is none any more"


@pytest.mark.conformance("B14")
async def test_if_match_holds_for_a_conditional_delete(stored: AsyncClient) -> None:
    path = "/fhir/Patient?identifier=urn:x|1"
    assert (await stored.delete(path, headers={"If-Match": 'W/"2"'})).status_code == 412
    assert (await stored.delete(path, headers={"If-Match": 'W/"1"'})).status_code == 204


@pytest.mark.conformance("B13")
async def test_a_conditional_update_may_revive(stored: AsyncClient) -> None:
    assert (await stored.delete("/fhir/Patient/p")).status_code == 204
    assert (await put(stored, "/fhir/Patient?identifier=urn:x|1")).status_code == 201


@pytest.mark.conformance("B4")
@pytest.mark.parametrize("version", ["01", "1.0", "0", "+1", "W%2F%221%22"])
async def test_a_version_has_one_name(stored: AsyncClient, version: str) -> None:
    assert (await stored.get(f"/fhir/Patient/p/_history/{version}")).status_code == 404


async def test_options_tell_the_methods(integrator: AsyncClient, stranger: AsyncClient) -> None:
    for client in (integrator, stranger):
        answer = await client.options("/fhir/Patient/p")
        assert (answer.status_code, answer.content) == (204, b"")
        assert answer.headers["Allow"] == "GET, HEAD, PUT, PATCH, DELETE, OPTIONS"
    assert (await integrator.options("/fhir/nothing/here/at/all")).status_code == 404


async def test_who_keeps_a_resource_asks_again_before_use(stored: AsyncClient) -> None:
    answer = await stored.get("/fhir/Patient/p")
    assert answer.headers["Cache-Control"] == "no-cache"
    again = await stored.get("/fhir/Patient/p", headers={"If-None-Match": answer.headers["ETag"]})
    assert (again.status_code, again.headers["Cache-Control"]) == (304, "no-cache")


@pytest.mark.conformance("D29", "D30")
async def test_a_compartment_is_searched_for_some_types(stored: AsyncClient) -> None:
    for type_ in ("Observation", "Goal"):
        tree = {"resourceType": type_, "id": "x", "subject": {"reference": "Patient/p"}}
        more = {
            "Observation": {"status": "final", "code": {"text": "x"}},
            "Goal": {"lifecycleStatus": "active", "description": {"text": "x"}},
        }[type_]
        assert (await stored.put(f"/fhir/{type_}/x", json=tree | more)).status_code == 201
    bundle = (await stored.get("/fhir/Patient/p/*?_type=Goal")).json()
    assert [one["resource"]["resourceType"] for one in bundle["entry"]] == ["Goal"]
    assert bundle["link"][0]["url"].endswith("/fhir/Patient/p/*?_type=Goal")
    assert (await stored.get("/fhir/Patient/p/*?_type=Goal,Observation&_count=0")).json()["total"] == 2
    assert (await stored.get("/fhir/Patient/p/*?_type=Organization")).status_code == 400


@pytest.mark.conformance("D1")
async def test_forms(stored: AsyncClient) -> None:
    for headers in (FORM, {}):
        answer = await stored.post("/fhir/Patient/_search?_id=p", headers=headers)
        assert answer.json()["total"] == 1, "an empty body is of no type"
    as_xml = await stored.post("/fhir/Patient/_search", content="_id=p&_format=xml", headers=FORM)
    assert as_xml.headers["content-type"] == "application/fhir+xml"
    bad = await stored.post("/fhir/Patient/_search", content="_id=p&_format=html", headers=FORM)
    assert bad.status_code == 406
    other = {"Content-Type": "application/fhir+json"}
    assert (await stored.post("/fhir/Patient/_search", content="{}", headers=other)).status_code == 415


@pytest.mark.conformance("D5")
async def test_result_parameters_left_empty_ask_for_nothing(stored: AsyncClient) -> None:
    answer = await stored.get("/fhir/Patient?_count=&_sort=&_total=&_summary=&_elements=&_id=p")
    assert answer.status_code == 200, answer.text
    assert answer.json()["link"][0]["url"].endswith("/fhir/Patient?_id=p")
    empty = await stored.get("/fhir/Patient?name=")
    assert empty.status_code == 400, "a filter that was not filled in must not find everybody"


async def test_bytes_of_utf_8_in_an_address(app: Any, stored: AsyncClient) -> None:
    """Some clients do not encode what is not ASCII; the client here would, so the application is called."""
    sent: list[dict[str, Any]] = []
    scope = {
        "type": "http",
        "http_version": "1.1",
        "method": "GET",
        "scheme": "http",
        "path": "/fhir/Patient",
        "raw_path": b"/fhir/Patient",
        "query_string": "name=Zo\u00eb".encode(),
        "headers": [(b"host", b"test"), (b"authorization", stored.headers["Authorization"].encode())],
        "server": ("test", 80),
        "client": ("test", 1),
    }

    async def receive() -> dict[str, Any]:
        return {"type": "http.request", "body": b"", "more_body": False}

    async def send(message: dict[str, Any]) -> None:
        sent.append(message)

    await app(scope, receive, send)
    assert sent[0]["status"] == 200
    assert b'"total":1' in sent[1]["body"]


@pytest.mark.conformance("B2", "C9")
async def test_reads_in_a_batch_take_what_reads_take(stored: AsyncClient) -> None:
    urls = [
        "Patient/p?_elements=name",
        "Patient/p?_summary=nonsense",
        "Patient?_id=p&_format=xml&_pretty=true",
        "?_type=Patient&_id=p",
        "?_type=Nothing",
        "Patient/p/*?_type=Goal",
    ]
    found = await batch(stored, *({"method": "GET", "url": url} for url in urls))
    assert [one["response"]["status"][:3] for one in found] == ["200", "400", "200", "200", "400", "200"]
    assert "identifier" not in found[0]["resource"]
    assert [found[place]["resource"]["total"] for place in (2, 3, 5)] == [1, 1, 0]
    (held,) = await batch(stored, {"method": "GET", "url": "Patient/p", "ifNoneMatch": "*"})
    assert held["response"]["status"].startswith("304")


@pytest.mark.conformance("B2")
async def test_elements_may_be_given_several_times_on_a_read(stored: AsyncClient) -> None:
    body = (await stored.get("/fhir/Patient/p?_elements=name&_elements=identifier")).json()
    assert {"name", "identifier"} <= body.keys()


@pytest.mark.conformance("D6")
async def test_a_refusal_speaks_of_the_types_searched(stored: AsyncClient) -> None:
    one = texts(await stored.get("/fhir/Patient?nonsense=1"))
    assert one.startswith("'nonsense' is no search parameter of Patient here; there are: _id, ")
    assert f"of {len(stored_types())} types together" in texts(await stored.get("/fhir?nonsense=1"))


async def test_no_store_is_asked_for_nul(stored: AsyncClient) -> None:
    assert (await stored.get("/fhir/Patient/%00")).status_code == 404
    assert (await stored.get("/fhir/Patient?name=%00")).status_code == 400
    answer = await stored.post("/fhir/Patient/_search", content="name=%00", headers=FORM)
    assert answer.status_code == 400
