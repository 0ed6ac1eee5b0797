"""``$export`` as a standard client uses it (Bulk Data Access 2.0.0), and what it answers to what can't be."""

import asyncio
import base64
import gzip
import hashlib
import json
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

import pytest
from bulk_client import ASYNC, Tree, begun, ended, exported, lines, manifest, named, parameters
from httpx import AsyncClient
from ward import Ward, observation, ref

from service.jobs.research_place import releases_in

pytestmark = pytest.mark.anyio

TERMS = "http://terminology.hl7.org/CodeSystem"
EVERYTHING = "system/*.rs restricted very-restricted"


@pytest.mark.conformance("J1", "J2", "J3", "J4", "J5")
async def test_the_flow_of_a_client(ward: Ward) -> None:
    client = ward.client(EVERYTHING)
    kicked = await client.get("/fhir/$export", headers=ASYNC)
    assert (kicked.status_code, kicked.json()["resourceType"]) == (202, "OperationOutcome")
    status = kicked.headers["Content-Location"]
    assert status.startswith("http://test/bulk/")
    done = await ended(client, status)
    told = done.json()
    assert done.headers["Content-Type"] == "application/json"
    assert "GMT" in done.headers["Expires"]
    assert told["request"] == "http://test/fhir/$export"
    assert told["requiresAccessToken"] is True
    assert (told["deleted"], told["error"]) == ([], [])
    found = await lines(client, told)
    names = named(found)
    assert len(set(names)) == len(names)
    assert {"Patient/ann", "Patient/ben", "Group/both", "Observation/secret-ann", "Binary/file-ann"} <= {
        *names
    }
    as_fhir = {"Accept": "application/fhir+json"}
    stored = {name: (await client.get(f"/fhir/{name}", headers=as_fhir)).json() for name in names}
    assert stored == {f"{one['resourceType']}/{one['id']}": one for one in found}
    await _files(client, told)
    assert (await client.delete(status)).status_code == 202
    for address in (status, told["output"][0]["url"]):
        gone = await client.get(address)
        assert (gone.status_code, gone.json()["resourceType"]) == (404, "OperationOutcome")


async def _files(client: AsyncClient, told: Tree) -> None:
    url = told["output"][0]["url"]
    plain = await client.get(url, headers={"Accept-Encoding": "identity"})
    assert plain.headers["Content-Type"] == "application/fhir+ndjson"
    assert "Content-Encoding" not in plain.headers
    packed = await client.get(url, headers={"Accept-Encoding": "gzip", "Accept": "application/fhir+ndjson"})
    assert packed.headers["Content-Encoding"] == "gzip"
    assert packed.content == plain.content
    assert (await client.get(f"{url}x")).status_code == 404
    assert (await client.get(url.rpartition("/")[0] + "/job.json")).status_code == 404
    assert (await client.get(url, headers={"Authorization": ""})).status_code == 401


@pytest.mark.conformance("J3")
async def test_who_asks_too_often_is_told_to_wait(ward: Ward) -> None:
    ward.app.services.bulk.settings = ward.app.services.settings.model_copy(update={"export_jobs": 0})
    client = ward.client(EVERYTHING)
    status = await begun(client)
    answers = [await client.get(status) for _ in range(5)]
    assert [one.status_code for one in answers] == [202, 202, 202, 429, 429]
    assert answers[0].headers["Retry-After"] == "5"
    assert answers[0].headers["X-Progress"]
    assert int(answers[-1].headers["Retry-After"]) > 0
    assert answers[-1].json()["resourceType"] == "OperationOutcome"
    assert (await client.delete(status)).status_code == 202  # and nobody works at it any more
    assert (await client.get(status)).status_code == 404


@pytest.mark.conformance("J1", "J2", "J6")
async def test_every_parameter_that_can_not_be_used_is_named_at_once(ward: Ward) -> None:
    client = ward.client(EVERYTHING)
    wrong = (
        "_outputFormat=csv&_since=yesterday&_type=Patient,Nothing,AuditEvent&_until=2026-01-01T00:00:00Z"
        "&_typeFilter=Observation?code=x&_typeFilter=Patient?subject.name=x,Patient?_sort=name&_typeFilter=Patient"
        "&_elements=Patient.nothing&patient=Patient/ann&includeAssociatedData=Some"
    )
    refused = await client.get(f"/fhir/Patient/$export?{wrong}", headers=ASYNC)
    assert refused.status_code == 400
    told = " ".join(one["details"]["text"] for one in refused.json()["issue"])
    for word in (
        *("csv", "yesterday", "'Nothing'", "'AuditEvent'", "_until", "Observation", "subject", "_sort"),
        *("Type?parameter=value", "Patient.nothing", "posted Parameters", "LatestProvenanceResources"),
    ):
        assert word.replace("csv", "application/fhir+ndjson") in told, (word, told)
    late = await client.get("/fhir/$export")
    assert (late.status_code, "respond-async" in late.text) == (400, True)
    nobody = parameters(patient=["Patient/ann", "Patient/nobody", "Patient/none"])
    missing = await client.post("/fhir/Patient/$export", json=nobody, headers=ASYNC)
    assert (missing.status_code, len(missing.json()["issue"])) == (400, 2)
    assert (await client.get("/fhir/Group/none/$export", headers=ASYNC)).status_code == 404


@pytest.mark.conformance("J2")
async def test_who_asks_leniently_gets_the_rest_and_is_told(ward: Ward) -> None:
    client = ward.client(EVERYTHING)
    lenient = {**ASYNC, "Prefer": "respond-async, handling=lenient"}
    query = "_until=2026-01-01T00:00:00Z&_type=Patient,Nothing&_typeFilter=Patient?nothing=1"
    kicked = await client.get(f"/fhir/$export?{query}", headers=lenient)
    assert kicked.status_code == 202, kicked.text
    told = (await ended(client, kicked.headers["Content-Location"])).json()
    assert named(await lines(client, told)) == ["Patient/ann", "Patient/ben"]
    (outcome,) = await lines(client, told, "error")
    assert len(outcome["issue"]) == 3


@pytest.mark.conformance("J8")
async def test_levels(ward: Ward) -> None:
    client = ward.client(EVERYTHING)
    group = {"resourceType": "Group", "id": "few", "type": "person", "actual": True}
    members = [{"entity": ref("Patient/ann")}, {"entity": ref("Patient/ben"), "inactive": True}]
    writer = ward.client("system/*.cruds restricted")
    assert (await writer.put("/fhir/Group/few", json=group | {"member": members})).status_code == 201
    patients = named(await exported(client, "Patient/$export"))
    assert not {one for one in patients if one.startswith(("Practitioner", "Organization", "Binary"))}
    assert {"Patient/ann", "Patient/ben", "Provenance/origin-ann", "Flag/flag-ben"} <= {*patients}
    anns = [one for one in patients if one.endswith("ann") or one == "Group/few"]
    assert {"Patient/ann", "Provenance/origin-ann", "Observation/secret-ann"} <= {*anns}
    of_group = named(await exported(client, "Group/few/$export"))
    assert [one for one in of_group if not one.startswith("Group")] == [
        one for one in anns if not one.startswith("Group")
    ]
    of_one = named(await exported(client, "Patient/$export", parameters(patient="Patient/ann")))
    assert [one for one in of_one if not one.startswith("Group")] == [
        one for one in anns if not one.startswith("Group")
    ]
    assert not {one for one in (*of_group, *of_one) if one.endswith("ben")}


@pytest.mark.conformance("J6", "J8")
async def test_what_a_request_narrows(ward: Ward) -> None:
    client = ward.client(EVERYTHING)
    types = named(await exported(client, "$export?_type=Goal,Flag&_type=Patient"))
    assert {one.partition("/")[0] for one in types} == {"Goal", "Flag", "Patient"}
    vital = "http://terminology.hl7.org/CodeSystem/observation-category|vital-signs"
    filters = f"Observation?category={vital.replace('|', '%7C')},Observation?_id=weight-ben"
    found = named(await exported(client, f"$export?_type=Observation,Goal&_typeFilter={filters}"))
    assert found == [
        "Goal/goal-ann",
        "Goal/goal-ben",
        *(f"Observation/{one}" for one in ("vital-ann", "vital-ben", "weight-ben")),
    ]
    parts = await exported(client, "$export?_type=Patient,Goal&_elements=Patient.birthDate,description")
    for one in parts:
        assert one["meta"]["tag"][-1]["code"] == "SUBSETTED"
        assert "name" not in one
        assert ("birthDate" in one) is (one["resourceType"] == "Patient")


@pytest.mark.conformance("J6", "J8")
async def test_provenance_of_what_leaves_goes_along(ward: Ward) -> None:
    client, writer = ward.client(EVERYTHING), ward.client("system/*.cruds restricted")
    newer = (await client.get("/fhir/Provenance/origin-ann")).json() | {"id": "newer-ann"}
    assert (await writer.put("/fhir/Provenance/newer-ann", json=newer)).status_code == 201
    of = "$export?_type=Observation&includeAssociatedData="
    latest = named(await exported(client, f"{of}LatestProvenanceResources"))
    assert [one for one in latest if "Provenance" in one] == ["Provenance/newer-ann", "Provenance/origin-ben"]
    relevant = named(await exported(client, f"{of}LatestProvenanceResources,RelevantProvenanceResources"))
    assert [one for one in relevant if "Provenance" in one] == [
        "Provenance/newer-ann",
        "Provenance/origin-ann",
        "Provenance/origin-ben",
    ]
    targets = [ref(f"Observation/weight-{one}") for one in ("ann", "ben")]
    both = newer | {"id": "of-both", "target": targets}
    assert (await writer.put("/fhir/Provenance/of-both", json=both)).status_code == 201
    asked = parameters(patient="Patient/ann", includeAssociatedData="RelevantProvenanceResources")
    anns = named(await exported(client, "Patient/$export", asked))
    assert [one for one in anns if "Provenance" in one] == ["Provenance/newer-ann", "Provenance/origin-ann"]
    none = named(
        await exported(client, "$export?_type=Goal&includeAssociatedData=RelevantProvenanceResources")
    )
    assert none == ["Goal/goal-ann", "Goal/goal-ben"]


@pytest.mark.conformance("J6", "J7")
async def test_an_export_continues_another(ward: Ward) -> None:
    client, writer = ward.client(EVERYTHING), ward.client("system/*.cruds restricted")
    first = await manifest(client)
    changed = observation("vital-ann", "ann", note=[{"text": "a\nb"}])
    pretty = json.dumps(changed, indent=1)
    headers = {"Content-Type": "application/fhir+json"}
    assert (await writer.put("/fhir/Observation/vital-ann", content=pretty, headers=headers)).is_success
    assert (await writer.delete("/fhir/Flag/flag-ben")).status_code == 204
    assert (await writer.put("/fhir/Observation/new", json=observation("new", "ben"))).is_success
    second = await manifest(client, f"$export?_since={first['transactionTime']}")
    assert second["transactionTime"] > first["transactionTime"]
    assert named(await lines(client, second)) == ["Observation/new", "Observation/vital-ann"]
    (bundle,) = await lines(client, second, "deleted")
    assert bundle["type"] == "transaction"
    assert bundle["entry"] == [{"request": {"method": "DELETE", "url": "Flag/flag-ben"}}]
    other = "Patient/$export?_since=" + first["transactionTime"]
    only = await manifest(client, other, parameters(patient="Patient/ann"))
    assert (named(await lines(client, only)), only["deleted"]) == (["Observation/vital-ann"], [])
    third = await manifest(client, f"$export?_since={second['transactionTime']}")
    assert (third["output"], third["deleted"]) == ([], [])


@pytest.mark.conformance("I5", "J5")
async def test_nobody_gets_more_than_they_reach(ward: Ward) -> None:
    """Whose export it is, what its token opened, what is labelled, and what a Consent withholds."""
    whole = ward.client(EVERYTHING)
    status = await begun(whole)
    (url,) = {one["url"] for one in (await ended(whole, status)).json()["output"] if one["type"] == "Flag"}
    for scope, code in ((EVERYTHING, 200), ("system/*.rs", 403), ("system/Flag.rs", 403), ("user/*.rs", 403)):
        client = ward.client(scope)
        assert {(await client.get(one)).status_code for one in (status, url)} == {code}, scope
    stranger = ward.client(EVERYTHING, subject="somebody-else")
    for one in (status, url):
        assert (await stranger.get(one)).status_code == 404
    assert (await stranger.delete(status)).status_code == 404
    unlabelled = named(await exported(ward.client("system/*.rs")))
    assert not {one for one in unlabelled if "secret" in one}
    granular = (
        "system/Observation.rs?category=http://terminology.hl7.org/CodeSystem/observation-category|exam"
    )
    assert named(await exported(ward.client(granular))) == [
        "Observation/weight-ann",
        "Observation/weight-ben",
    ]
    for scope in ("user/*.cruds", "patient/*.rs", "audit-read", "operate"):
        client = ward.client(scope, patient="ann" if "patient" in scope else "")
        for path in ("$export", "Patient/$export", "Group/both/$export"):
            assert (await client.get(f"/fhir/{path}", headers=ASYNC)).status_code == 403, (scope, path)
    one_type = ward.client("system/Flag.rs")
    refused = await one_type.get("/fhir/$export?_type=Flag,Goal", headers=ASYNC)
    assert (refused.status_code, "Goal" in refused.text) == (400, True)
    assert named(await exported(one_type)) == ["Flag/flag-ann", "Flag/flag-ben"]


async def test_a_client_has_only_so_many(ward: Ward) -> None:
    bulk = ward.app.services.bulk
    bulk.settings = bulk.settings.model_copy(update={"export_most": 1})
    client = ward.client(EVERYTHING)
    status = await begun(client)
    refused = await client.get("/fhir/$export", headers=ASYNC)
    assert (refused.status_code, "Retry-After" in refused.headers) == (429, True)
    assert (await client.delete(status)).status_code == 202
    assert await manifest(client)


async def test_every_step_is_recorded_and_an_export_names_the_people(ward: Ward) -> None:
    client, auditor = ward.client(EVERYTHING), ward.client("audit-read")
    status = await begun(client, "$export?_type=Flag")
    told = (await ended(client, status)).json()
    await lines(client, told)
    await client.delete(status)
    id_ = status.rpartition("/")[2]
    events: list[Any] = []
    for _ in range(20):
        page = (await auditor.get("/fhir/AuditEvent?_count=50")).json()
        events = [one["resource"] for one in page["entry"] if id_ in _query(one["resource"])]
        if len(events) >= 4:
            break
        await asyncio.sleep(0.02)
    steps = [(one["type"]["code"], _query(one).split("/")[0].strip()) for one in events]
    assert ("110106", "http:") in steps
    assert {method for code, method in steps if code == "rest"} == {"GET", "DELETE"}
    (export,) = [one for one in events if one["type"]["code"] == "110106"]
    people = {one["what"]["reference"] for one in export["entity"] if "reference" in one.get("what", {})}
    assert people == {"Patient/ann", "Patient/ben"}


def _query(event: Tree) -> str:
    texts = [one["query"] for one in event.get("entity", ()) if "query" in one]
    return " ".join(base64.b64decode(text).decode() for text in texts)


async def test_a_packed_file_is_gzip(ward: Ward) -> None:
    client = ward.client(EVERYTHING)
    (piece,) = (await manifest(client, "$export?_type=Goal"))["output"]
    headers = {"Accept-Encoding": "gzip"}
    async with client.stream("GET", piece["url"], headers=headers) as answer:
        packed = b"".join([part async for part in answer.aiter_raw()])
    assert gzip.decompress(packed).count(b"\n") == piece["count"]


async def test_a_researcher_gets_a_release(app: Any, ward: Ward) -> None:
    """By the policy of the site, or one that is named; of nobody who has not permitted it."""
    releases = releases_in(app.services.settings.data_dir)
    researcher, writer = ward.client("research-export"), ward.client("system/*.cruds")
    permit = {
        "resourceType": "Consent",
        "id": "research-ann",
        "status": "active",
        "scope": {"coding": [{"system": f"{TERMS}/consentscope", "code": "research"}]},
        "category": [{"coding": [{"system": "http://loinc.org", "code": "59284-0"}]}],
        "policyRule": {"coding": [{"system": f"{TERMS}/v3-ActCode", "code": "OPTIN"}]},
        "patient": ref("Patient/ann"),
        "dateTime": "2026-01-01",
        "provision": {
            "type": "permit",
            "purpose": [{"system": f"{TERMS}/v3-ActReason", "code": "HRESCH"}],
        },
    }
    assert (await writer.put("/fhir/Consent/research-ann", json=permit)).is_success
    told = await manifest(researcher)
    found = await lines(researcher, told)
    assert {"Provenance", "Parameters"} <= {one["resourceType"] for one in found}
    text = json.dumps(found)
    assert "safe-harbor" in text
    assert "Ann" not in text
    assert "vital-ann" not in text
    assert told["requiresAccessToken"] is True
    [(release, _)] = releases.all()
    for piece in told["output"]:  # each file names its release, ``research releases --of``
        content = (await researcher.get(piece["url"])).content
        assert release.has(hashlib.sha256(content).hexdigest()), piece["url"]
    assert len(release.files) == len(told["output"])
    assert not release.has(hashlib.sha256(b"").hexdigest())
    only = await exported(researcher, "Patient/$export?_type=Provenance&variant=safe-harbor")
    assert {one["resourceType"] for one in only} == {"Provenance"}
    refused = await researcher.get("/fhir/$export?variant=limited-data-set", headers=ASYNC)
    assert (refused.status_code, "approval" in refused.text) == (400, True)
    refused = await researcher.get("/fhir/$export?_since=2026-01-01T00:00:00Z&_elements=id", headers=ASYNC)
    assert (refused.status_code, len(refused.json()["issue"])) == (400, 2)
    status = await begun(researcher, "$export?variant=shifted-dates&approval=X1&project=few")
    failed = await ended(researcher, status)
    assert (failed.status_code, failed.json()["resourceType"]) == (422, "OperationOutcome"), failed.text
    assert (await researcher.get("/fhir/Group/both/$export", headers=ASYNC)).status_code == 403
    whole = await ward.client(EVERYTHING).get("/fhir/$export?variant=safe-harbor", headers=ASYNC)
    assert (whole.status_code, "variant" in whole.text) == (400, True)


@pytest.mark.conformance("J7")
async def test_exports_while_records_come_in_are_of_one_moment_each_and_continue_each_other(
    ward: Ward, tell: Callable[[str], None]
) -> None:
    """Each round writes three Flags with its number: no export may hold two rounds of one writer."""
    client, writer = ward.client(EVERYTHING), ward.client("system/*.cruds restricted")
    rounds = 12

    async def writing(name: str) -> None:
        for number in range(rounds):
            entries = [_entry(f"{name}-{place}", number) for place in range(3)]
            bundle = {"resourceType": "Bundle", "type": "transaction", "entry": entries}
            assert (await writer.post("/fhir", json=bundle)).is_success

    known: dict[str, str] = {}
    work = asyncio.gather(writing("a"), writing("b"), writing("c"))
    since, exports, over = "2000-01-01T00:00:00.000Z", 0, False
    while not over:
        over = work.done()
        told = await manifest(client, f"$export?_type=Flag&_since={since}")
        stretch = {one["id"]: one["code"]["text"] for one in await lines(client, told)}
        assert not [name for name, text in stretch.items() if known.get(name) == text], "given twice"
        known |= stretch
        for name in "abc":
            assert len({known.get(f"{name}-{place}") for place in range(3)}) == 1, "torn"
        since, exports = told["transactionTime"], exports + 1
        ward.app.services.bulk.exports.find(_id(told)).remove()
    await work
    whole = {one["id"]: one["code"]["text"] for one in await exported(client, "$export?_type=Flag")}
    assert known == whole
    tell(f"{exports} exports between {3 * rounds} transactions: none torn, nothing lost or given twice")


def _entry(id_: str, number: int) -> Tree:
    flag = {
        "resourceType": "Flag",
        "id": id_,
        "status": "active",
        "code": {"text": f"round {number}"},
        "subject": ref("Patient/ann"),
    }
    return {"resource": flag, "request": {"method": "PUT", "url": f"Flag/{id_}"}}


def _id(told: Tree) -> str:
    """The export of a manifest with files."""
    return told["output"][0]["url"].split("/")[-2] if told["output"] else "none"


async def test_files_are_split_by_size_and_expire(ward: Ward) -> None:
    bulk = ward.app.services.bulk
    bulk.settings = bulk.settings.model_copy(update={"export_file_mb": 0.001})
    client = ward.client(EVERYTHING)
    status = await begun(client, "$export?_type=Observation,Goal")
    told = (await ended(client, status)).json()
    pieces = [one for one in told["output"] if one["type"] == "Observation"]
    assert len(pieces) > 1
    assert len(await lines(client, told)) == sum(one["count"] for one in told["output"])
    bulk.settings = bulk.settings.model_copy(update={"export_hours": 0})
    bulk.now = lambda: datetime(2026, 6, 1, 10, 0, tzinfo=UTC)
    for _ in range(500):
        if (await client.get(status)).status_code == 404:
            break
        await asyncio.sleep(0.02)
    assert (await client.get(pieces[0]["url"])).status_code == 404
    assert bulk.exports.all() == []
