"""$viewdefinition-run: rows of what the caller may read (SQL on FHIR 2, operation ViewDefinition run)."""

import csv
import io
import json
from typing import Any

import pytest
from httpx import AsyncClient
from ward import DORA, Ward

from service.shipped import shipped

pytestmark = [pytest.mark.anyio, pytest.mark.conformance("K4")]

RUN = "/fhir/$viewdefinition-run"
WEIGHTS = {
    "resourceType": "ViewDefinition",
    "name": "weights",
    "resource": "Observation",
    "where": [{"path": "code.coding.exists(code = '29463-7')"}],
    "select": [
        {
            "column": [
                {"name": "id", "path": "getResourceKey()", "type": "id"},
                {"name": "patient", "path": "subject.getReferenceKey(Patient)", "type": "id"},
            ]
        }
    ],
}


def sent(**values: Any) -> dict[str, Any]:
    """Parameters with one view in them."""
    parameters = [{"name": "viewResource", "resource": WEIGHTS}]
    parameters += [{"name": name, **value} for name, value in values.items()]
    return {"resourceType": "Parameters", "parameter": parameters}


def people(text: str) -> set[str]:
    return {json.loads(line)["patient"] for line in text.splitlines()}


async def test_who_is_confined_gets_rows_of_what_they_reach(ward: Ward) -> None:
    everybody = await ward.client("system/*.cruds").post(RUN, json=sent())
    assert everybody.headers["content-type"] == "application/x-ndjson"
    assert people(everybody.text) == {"ann", "ben"}
    for client in (
        ward.client("user/Observation.rs", user=DORA),
        ward.client("patient/Observation.rs", patient="ann"),
    ):
        assert people((await client.post(RUN, json=sent())).text) == {"ann"}
    one = {"valueReference": {"reference": "Patient/ben"}}
    asked = await ward.client("system/Observation.rs").post(RUN, json=sent(patient=one))
    assert people(asked.text) == {"ben"}
    hidden = await ward.client("user/Observation.rs", user=DORA).post(RUN, json=sent(patient=one))
    assert (hidden.status_code, hidden.text) == (200, "")


@pytest.mark.parametrize("scope", ["system/Patient.rs", "system/Observation.r", "research-export"])
async def test_the_right_to_read_the_type_is_needed(ward: Ward, scope: str) -> None:
    answer = await ward.client(scope).post(RUN, json=sent())
    assert answer.status_code == 403
    assert answer.json()["resourceType"] == "OperationOutcome"


async def test_whom_the_rows_are_about_is_recorded(ward: Ward) -> None:
    await ward.client("system/Observation.rs").post(RUN, json=sent())
    trail = (await ward.client("audit-read").get("/fhir/AuditEvent?_count=500")).json()["entry"]
    (event,) = [one["resource"] for one in trail if one["resource"]["subtype"][0]["code"] == "operation"]
    named = {one["what"].get("reference") for one in event["entity"] if "what" in one}
    assert {"Patient/ann", "Patient/ben"} <= named


async def test_views_that_travel_along_are_named(integrator: AsyncClient) -> None:
    for name in ("demo-01-evaluation-1", "demo-01-visit-1"):
        body = shipped("examples", "visits", f"{name}.yaml").read_bytes()
        headers = {"Content-Type": "application/yaml"}
        assert (await integrator.post("/intake/visits", content=body, headers=headers)).status_code == 201
    named = "https://swallow-interop.example.org/fhir/ViewDefinition/trial|1.0.0"
    for reference in ("ViewDefinition/trial", "trial", named):
        answer = await integrator.get(RUN, params={"viewReference": reference, "_format": "csv"})
        assert answer.headers["content-type"] == "text/csv; charset=utf-8"
        rows = list(csv.DictReader(io.StringIO(answer.text)))
        pre = [row["closure"] for row in rows if row["block"] == "pre"]
        assert (len(pre), pre.count("closed")) == (5, 1)
    bare = await integrator.get(
        RUN,
        params={"viewReference": "trial", "_limit": "3", "header": "false"},
        headers={"Accept": "text/csv"},
    )
    assert len(bare.text.splitlines()) == 3
    binary = await integrator.get(RUN, params={"viewReference": "bolus", "_format": "parquet"})
    assert binary.content[:4] == binary.content[-4:] == b"PAR1"
    person = (await integrator.get("/fhir/Patient")).json()["entry"][0]["resource"]["id"]
    one = await integrator.get(RUN, params={"viewReference": "patient", "patient": person})
    assert json.loads(one.text)["patient_id"] == person


async def test_a_researcher_gets_rows_without_identities_alone(
    integrator: AsyncClient, researcher: AsyncClient
) -> None:
    body = shipped("examples", "visits", "demo-01-evaluation-1.yaml").read_bytes()
    headers = {"Content-Type": "application/yaml"}
    assert (await integrator.post("/intake/visits", content=body, headers=headers)).status_code == 201
    person = (await integrator.get("/fhir/Patient")).json()["entry"][0]["resource"]["id"]
    asked = {"viewReference": "patient", "variant": "safe-harbor", "_format": "csv"}
    (row,) = csv.DictReader(io.StringIO((await researcher.get(RUN, params=asked)).text))
    assert row["patient_id"] not in {"", person}
    assert (row["birth_year"], row["zip3"]) == ("1958", "021")
    first = await researcher.get(RUN, params={**asked, "viewReference": "bolus", "_limit": "2"})
    assert {one["patient_id"] for one in csv.DictReader(io.StringIO(first.text))} == {row["patient_id"]}
    for client, query in (
        (researcher, {"viewReference": "patient"}),
        (integrator, asked),
    ):
        assert (await client.get(RUN, params=query)).status_code == 403
    unknown = await researcher.get(RUN, params={**asked, "variant": "everything"})
    assert unknown.status_code == 400


@pytest.mark.parametrize(
    ("query", "status", "said"),
    [
        ("", 400, "Name a view"),
        ("?viewReference=ViewDefinition/nothing", 404, "There is no such view; there are: patient, "),
        ("?viewReference=trial&viewReference=bolus", 400, "at most 1"),
        ("?viewReference=trial&_format=xlsx", 406, "csv, ndjson, parquet"),
        ("?viewReference=trial&_limit=0", 400, "positiveInt"),
        ("?viewReference=trial&header=maybe", 400, "boolean"),
        ("?viewReference=trial&patient=Group/1", 400, "reference to a Patient"),
        ("?viewReference=trial&variant=safe-harbor&patient=1", 400, "By a variant"),
        ("?viewReference=trial&variant=safe-harbor&_since=2026-01-01T00:00:00Z", 400, "not by _since"),
        ("?viewReference=trial&source=s3://elsewhere", 400, "no other source is read"),
        ("?viewReference=trial&group=none", 404, "There is no Group/none"),
        ("?viewReference=trial&group=Patient/1", 400, "reference to a Group"),
        ("?viewReference=trial&_since=soon", 400, "not an instant"),
        ("?viewReference=trial&resource=x", 400, "resource is a resource"),
    ],
)
async def test_what_cannot_be_answered_is_told(
    integrator: AsyncClient, query: str, status: int, said: str
) -> None:
    answer = await integrator.get(f"{RUN}{query}")
    assert (answer.status_code, answer.json()["resourceType"]) == (status, "OperationOutcome")
    assert said in answer.json()["issue"][0]["details"]["text"]


async def test_rows_of_the_people_of_groups_alone(ward: Ward) -> None:
    client = ward.client("system/*.cruds")
    members = [
        {"entity": {"reference": "Patient/ben"}},
        {"entity": {"reference": "Patient/ann"}, "inactive": True},
    ]
    group = {"resourceType": "Group", "id": "some", "type": "person", "actual": True, "member": members}
    assert (await client.put("/fhir/Group/some", json=group)).status_code == 201
    asked = sent(group={"valueReference": {"reference": "Group/some"}})
    assert people((await client.post(RUN, json=asked)).text) == {"ben"}
    ann = {"valueReference": {"reference": "Patient/ann"}}
    both = sent(group={"valueReference": {"reference": "Group/some"}}, patient=ann)
    assert (await client.post(RUN, json=both)).text == ""
    confined = ward.client("user/Observation.rs", user=DORA)
    assert (await confined.post(RUN, json=asked)).status_code == 403
    described = {"resourceType": "Group", "id": "some", "type": "person", "actual": False}
    assert (await client.put("/fhir/Group/some", json=described)).status_code == 200
    assert (await client.post(RUN, json=asked)).status_code == 400


async def test_rows_of_what_was_written_since(ward: Ward) -> None:
    client = ward.client("system/Observation.rs")
    for instant, found in (("2000-01-01T00:00:00Z", {"ann", "ben"}), ("2100-01-01T00:00:00Z", set())):
        answer = await client.post(RUN, json=sent(_since={"valueInstant": instant}))
        assert people(answer.text) == found


async def test_rows_of_resources_that_are_sent_along(ward: Ward) -> None:
    code = {"coding": [{"system": "http://loinc.org", "code": "29463-7"}]}
    weight = {"resourceType": "Observation", "id": "w", "status": "final", "code": code}
    weight["subject"] = {"reference": "Patient/zoe"}
    other = {"resourceType": "Patient", "id": "zoe"}
    body = sent(resource={"resource": weight})
    body["parameter"].append({"name": "resource", "resource": other})
    answer = await ward.client("system/Observation.rs").post(RUN, json=body)
    assert [json.loads(line) for line in answer.text.splitlines()] == [{"id": "w", "patient": "zoe"}]
    body["parameter"].append({"name": "patient", "valueReference": {"reference": "Patient/zoe"}})
    assert (await ward.client("system/Observation.rs").post(RUN, json=body)).status_code == 400


async def test_every_problem_of_a_view_is_told_at_its_place(integrator: AsyncClient) -> None:
    select = [{"column": [{"name": "1", "path": "("}, {"name": "b", "path": "birthdate"}]}]
    view = {"resourceType": "ViewDefinition", "resource": "Patient", "select": select}
    parameters = [{"name": "viewResource", "resource": view}]
    answer = await integrator.post(RUN, json={"resourceType": "Parameters", "parameter": parameters})
    assert answer.status_code == 400
    assert [issue["expression"] for issue in answer.json()["issue"]] == [
        ["ViewDefinition.select[0].column[0].name"],
        ["ViewDefinition.select[0].column[0].path"],
        ["ViewDefinition.select[0].column[1].path"],
    ]


@pytest.mark.parametrize(
    "body",
    [
        b"[]",
        b"{",
        b'{"resourceType":"Patient"}',
        b'{"resourceType":"Parameters","parameter":1}',
        b'{"resourceType":"Parameters","parameter":[1]}',
        b'{"resourceType":"Parameters","parameter":[{"name":"viewResource","valueString":"x"}]}',
        b'{"resourceType":"Parameters","parameter":[{"name":"viewReference","valueReference":{}}]}',
        b'{"resourceType":"Parameters","parameter":[{"name":"viewResource","resource":{"resource":"Binary"}}]}',
    ],
)
async def test_what_is_no_request_is_400(integrator: AsyncClient, body: bytes) -> None:
    answer = await integrator.post(RUN, content=body, headers={"Content-Type": "application/fhir+json"})
    assert (answer.status_code, answer.json()["resourceType"]) == (400, "OperationOutcome")
