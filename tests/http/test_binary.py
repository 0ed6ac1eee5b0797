"""Files as Binary (FHIR R4 binary.html)."""

import base64
from collections.abc import Callable

import pytest
from fastapi import FastAPI
from httpx import ASGITransport, AsyncClient, Response

pytestmark = [pytest.mark.anyio, pytest.mark.conformance("B26")]

PICTURE = bytes(range(256)) * 3
TEXT = "Schluck-Prüfung\n".encode()
FHIR = {"Accept": "application/fhir+json"}


async def post(client: AsyncClient, content: bytes, type_: str, **headers: str) -> Response:
    names = {name.replace("_", "-"): value for name, value in headers.items()}
    return await client.post("/fhir/Binary", content=content, headers={"Content-Type": type_} | names)


@pytest.mark.parametrize(
    ("content", "type_"), [(PICTURE, "image/png"), (TEXT, "text/plain; charset=utf-8"), (b"", "text/csv")]
)
async def test_a_file_comes_back_as_it_was_sent(integrator: AsyncClient, content: bytes, type_: str) -> None:
    made = await post(integrator, content, type_)
    assert made.status_code == 201
    assert made.json()["contentType"] == type_
    assert base64.b64decode(made.json().get("data", "")) == content
    where = f"/fhir/Binary/{made.json()['id']}"
    for path in (where, f"{where}/_history/1"):
        for accept in (type_.partition(";")[0], "*/*", type_.partition("/")[0] + "/*"):
            raw = await integrator.get(path, headers={"Accept": accept})
            assert (raw.status_code, raw.content) == (200, content)
            assert raw.headers["content-type"] == type_
            assert raw.headers["etag"] == 'W/"1"'
            assert "sandbox" in raw.headers["content-security-policy"]
        head = await integrator.head(path)
        assert (head.content, head.headers["content-type"]) == (b"", type_)


@pytest.mark.parametrize(
    "ask",
    [
        {"headers": FHIR},
        {"params": {"_format": "json"}},
        {"headers": {"Accept": "image/png;q=0.5, application/fhir+json"}},
        {"headers": {"Accept": "application/json"}},
    ],
    ids=str,
)
async def test_who_asks_for_fhir_gets_the_resource(
    integrator: AsyncClient, ask: dict[str, dict[str, str]]
) -> None:
    id_ = (await post(integrator, PICTURE, "image/png")).json()["id"]
    answer = await integrator.get(f"/fhir/Binary/{id_}", **ask)  # type: ignore[arg-type]
    assert answer.json()["resourceType"] == "Binary"
    assert base64.b64decode(answer.json()["data"]) == PICTURE


async def test_another_type_than_the_file_has_is_not_acceptable(integrator: AsyncClient) -> None:
    id_ = (await post(integrator, PICTURE, "image/png")).json()["id"]
    answer = await integrator.get(f"/fhir/Binary/{id_}", headers={"Accept": "text/html"})
    assert answer.status_code == 406
    assert answer.json()["resourceType"] == "OperationOutcome"


async def test_a_resource_is_stored_as_one(integrator: AsyncClient) -> None:
    data = base64.b64encode(TEXT).decode()
    tree = {"resourceType": "Binary", "id": "b", "contentType": "text/plain", "data": data}
    for type_ in ("application/fhir+json", "application/json"):
        answer = await integrator.put("/fhir/Binary/b", json=tree, headers={"Content-Type": type_})
        assert answer.json()["data"] == data
    assert (await integrator.get("/fhir/Binary/b")).content == TEXT


async def test_an_update_may_be_the_file_itself(integrator: AsyncClient) -> None:
    for content in (b"one", b"two"):
        await integrator.put("/fhir/Binary/b", content=content, headers={"Content-Type": "text/plain"})
    assert (await integrator.get("/fhir/Binary/b")).content == b"two"
    assert (await integrator.get("/fhir/Binary/b/_history/1")).content == b"one"
    again = await integrator.get("/fhir/Binary/b", headers={"If-None-Match": 'W/"2"'})
    assert (again.status_code, again.content) == (304, b"")


async def test_a_file_without_a_type_is_refused(integrator: AsyncClient) -> None:
    assert (await post(integrator, TEXT, "")).status_code == 415
    assert (await post(integrator, TEXT, "no type")).status_code == 415


async def test_its_rights_follow_the_security_context(
    app: FastAPI, integrator: AsyncClient, sign: Callable[..., str]
) -> None:
    made = await post(integrator, TEXT, "text/plain", X_Security_Context="Patient/p")
    assert made.json()["securityContext"] == {"reference": "Patient/p"}
    path = f"/fhir/Binary/{made.json()['id']}"
    assert (await integrator.get(path)).headers["x-security-context"] == "Patient/p"
    for scope, status in (("user/Binary.rs", 403), ("user/Binary.rs user/Patient.rs", 200)):
        headers = {"Authorization": f"Bearer {sign(scope)}"}
        transport = ASGITransport(app)
        async with AsyncClient(transport=transport, base_url="http://test", headers=headers) as client:
            assert (await client.get(path)).status_code == status
            assert (await client.get(path, headers=FHIR)).status_code == status


async def test_lists_follow_the_security_context_as_well(
    app: FastAPI, integrator: AsyncClient, sign: Callable[..., str]
) -> None:
    made = await post(integrator, TEXT, "text/plain", X_Security_Context="Patient/p")
    id_ = made.json()["id"]
    basis = {
        "resourceType": "Provenance",
        "id": "from-file",
        "target": [{"reference": f"Binary/{id_}"}],
        "recorded": "2026-01-01T00:00:00Z",
        "agent": [{"who": {"display": "x"}}],
    }
    assert (await integrator.put("/fhir/Provenance/from-file", json=basis)).status_code == 201
    batch = {
        "resourceType": "Bundle",
        "type": "batch",
        "entry": [{"request": {"method": "GET", "url": f"Binary/{id_}"}}],
    }
    for scope, seen in (("user/Binary.rs user/Provenance.rs", 0), ("user/*.rs", 1)):
        headers = {"Authorization": f"Bearer {sign(scope)}"}
        transport = ASGITransport(app)
        async with AsyncClient(transport=transport, base_url="http://test", headers=headers) as client:
            for address in (
                "/fhir/Binary",
                "/fhir/Binary/_history",
                f"/fhir/Binary/{id_}/_history",
                "/fhir/Provenance?_include=Provenance:target",
            ):
                answer = await client.get(address)
                assert answer.status_code == 200
                found = [entry["resource"] for entry in answer.json().get("entry", [])]
                assert [one["resourceType"] for one in found].count("Binary") == seen, address
            answer = await client.post("/fhir", json=batch)
            assert answer.json()["entry"][0]["response"]["status"][:3] == ("200" if seen else "403")
