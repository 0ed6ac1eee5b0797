"""Visit records over HTTP, from the demo's invented people."""

import asyncio
from typing import Any

import pytest
from httpx import AsyncClient, Response

from service.fhir.json import parse
from service.fhir.validation import errors
from service.shipped import shipped

pytestmark = pytest.mark.anyio

FIRST, SECOND = "demo-02-evaluation-1", "demo-02-visit-1"
TRAINING = "demo-02-visit-2"


def record(name: str) -> bytes:
    return shipped("examples", "visits", f"{name}.yaml").read_bytes()


def sheet(name: str) -> bytes:
    return shipped("examples", "sheets", name).read_bytes()


async def send(
    client: AsyncClient, body: bytes, type_: str = "application/yaml", query: str = ""
) -> Response:
    return await client.post(f"/intake/visits{query}", content=body, headers={"Content-Type": type_})


async def load(client: AsyncClient, *names: str) -> None:
    for name in names:
        answer = await send(client, record(name))
        assert answer.status_code == 201, answer.text


def named(answer: Response, name: str) -> list[dict[str, Any]]:
    return [part for part in answer.json()["parameter"] if part["name"] == name]


async def count(client: AsyncClient, type_: str) -> int:
    total: int = (await client.get(f"/fhir/{type_}?_count=0")).json()["total"]
    return total


async def test_a_first_record_is_created_and_can_be_read(integrator: AsyncClient) -> None:
    answer = await send(integrator, record(FIRST))
    assert answer.status_code == 201
    encounter = await integrator.get(answer.headers["location"])
    assert encounter.json()["resourceType"] == "Encounter"
    created = [part["valueReference"]["reference"] for part in named(answer, "created")]
    assert len(created) > 10
    for reference in created:
        assert (await integrator.get(f"/fhir/{reference}")).status_code == 200
    assert named(answer, "outcome")[0]["resource"]["resourceType"] == "OperationOutcome"
    assert errors(parse(answer.content)) == ()


async def test_the_same_record_again_changes_nothing(integrator: AsyncClient) -> None:
    await load(integrator, FIRST)
    again = await send(integrator, record(FIRST))
    assert again.status_code == 200
    assert named(again, "unchanged")
    assert not named(again, "created") + named(again, "updated") + named(again, "removed")


async def test_a_correction_is_an_update(integrator: AsyncClient) -> None:
    await load(integrator, FIRST, SECOND)
    changed = record(SECOND).replace(b"observed: not closed", b"observed: closed", 1)
    answer = await send(integrator, changed)
    assert answer.status_code == 200
    assert named(answer, "updated")


async def test_a_dry_run_answers_the_bundle_and_stores_nothing(integrator: AsyncClient) -> None:
    answer = await send(integrator, record(FIRST), query="?dry-run=true")
    assert answer.status_code == 200
    (bundle,) = (part["resource"] for part in named(answer, "bundle"))
    assert bundle["type"] == "transaction"
    assert named(answer, "outcome")
    assert await count(integrator, "Patient") == 0
    posted = await integrator.post("/fhir", json=bundle)
    assert posted.status_code == 200, posted.text
    assert {item["response"]["status"][:3] for item in posted.json()["entry"]} == {"201"}
    assert await count(integrator, "Patient") == 1


async def test_a_form_with_a_sheet_equals_the_whole_record(integrator: AsyncClient) -> None:
    await load(integrator, FIRST, SECOND)
    files = {
        "record": (f"{TRAINING}.yaml", sheet(f"{TRAINING}.yaml"), "application/yaml"),
        "trials": ("trials.csv", sheet(f"{TRAINING}.trials.csv"), "text/csv"),
    }
    sent = await integrator.post("/intake/visits", files=files)
    assert sent.status_code == 201, sent.text
    again = await send(integrator, record(TRAINING))
    assert again.status_code == 200, again.text
    assert not named(again, "created") + named(again, "updated") + named(again, "removed")


async def test_a_form_field_without_a_type_is_read_too(integrator: AsyncClient) -> None:
    body = b'--x\r\nContent-Disposition: form-data; name="record"\r\n\r\n' + record(FIRST) + b"\r\n--x--\r\n"
    assert (await send(integrator, body, "multipart/form-data; boundary=x")).status_code == 201


async def test_a_bad_row_is_named_by_sheet_row_and_column(integrator: AsyncClient) -> None:
    await load(integrator, FIRST, SECOND)
    bad = sheet(f"{TRAINING}.trials.csv").replace(b"medium", b"mighty", 1)
    files = {
        "record": ("visit.yaml", sheet(f"{TRAINING}.yaml"), "application/yaml"),
        "trials": ("my trials.csv", bad, "text/csv"),
    }
    answer = await integrator.post("/intake/visits", files=files)
    assert answer.status_code == 422
    places = [issue.get("diagnostics", "") for issue in answer.json()["issue"]]
    assert "my trials.csv row 2 column effort" in places


async def test_all_problems_are_answered_at_once_with_their_lines(integrator: AsyncClient) -> None:
    bad = record(FIRST).replace(b"gender: female", b"gender: woman").replace(b"gender: male", b"gender: man")
    bad = bad.replace(b"type: evaluation", b"type: outing")
    answer = await send(integrator, bad)
    assert answer.status_code == 422
    places = " ".join(issue.get("diagnostics", "") for issue in answer.json()["issue"])
    assert "/person/gender (line" in places
    assert "/visit/type (line" in places
    assert await count(integrator, "Patient") == 0


async def test_two_clients_with_the_same_record_store_it_once(integrator: AsyncClient) -> None:
    answers = await asyncio.gather(*(send(integrator, record(FIRST)) for _ in range(4)))
    assert sorted(answer.status_code for answer in answers) == [200, 200, 200, 201]
    assert await count(integrator, "Patient") == 1
    assert await count(integrator, "Encounter") == 1


@pytest.mark.parametrize(
    ("type_", "body"),
    [
        ("multipart/form-data", b"x"),
        ("multipart/form-data; boundary=x", b""),
        ("multipart/form-data; boundary=x", b"--x\r\n\r\n\r\n--x--"),
        ("multipart/form-data; boundary=x", b"--x\r\nContent-Disposition: nonsense\r\n\r\n\r\n--x--\r\n"),
        (
            "multipart/form-data; boundary=x",
            b'--x\r\nContent-Disposition: form-data; name="a"\r\n\r\nb\r\n--x--\r\n',
        ),
        ("application/yaml", b"visit: [1, 2"),
        ("application/yaml", b"\xff\xfe"),
        ("application/yaml", b"a: &x [*x]"),
        ("application/yaml", b"a: !!python/object:os.system x"),
        ("application/json", b'{"visit_record": 1, "visit_record": 1}'),
    ],
)
async def test_what_cannot_be_read_is_400(integrator: AsyncClient, type_: str, body: bytes) -> None:
    answer = await send(integrator, body, type_)
    assert answer.status_code == 400, answer.text
    assert answer.json()["resourceType"] == "OperationOutcome"


@pytest.mark.parametrize("type_", ["text/csv", "application/fhir+json", "application/xml", ""])
async def test_other_types_are_415(integrator: AsyncClient, type_: str) -> None:
    assert (await send(integrator, record(FIRST), type_)).status_code == 415


async def test_an_unreadable_dry_run_is_400_and_does_not_store(integrator: AsyncClient) -> None:
    assert (await send(integrator, record(FIRST), query="?dry-run=perhaps")).status_code == 400
    assert await count(integrator, "Patient") == 0


async def test_a_clinician_takes_in_visits_too(clinician: AsyncClient) -> None:
    await load(clinician, FIRST)


async def test_the_schema_is_published(integrator: AsyncClient) -> None:
    answer = await integrator.get("/intake/visit-record.schema.json")
    assert answer.headers["content-type"] == "application/schema+json"
    assert answer.json()["title"] == "VisitRecord"


@pytest.mark.parametrize("typed", ["dryrun", "dry_run", "Dry-Run"])
async def test_a_mistyped_dry_run_stores_nothing(integrator: AsyncClient, typed: str) -> None:
    answer = await send(integrator, record(FIRST), query=f"?{typed}=true")
    assert answer.status_code == 400
    text = answer.json()["issue"][0]["details"]["text"]
    assert text == f"Not known here: {typed}; there is: dry-run."
    assert await count(integrator, "Encounter") == 0


async def test_how_the_answer_is_written_may_be_said(integrator: AsyncClient) -> None:
    answer = await send(integrator, record(FIRST), query="?dry-run=true&_pretty=true&_format=json")
    assert answer.status_code == 200
