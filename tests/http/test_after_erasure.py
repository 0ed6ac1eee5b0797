"""What is answered about a person who was erased: their ids are gone, and nothing comes back under them."""

import json
from collections.abc import Callable
from datetime import datetime

import pytest
from ward import Ward, observation, ref

from service.fhir.json import reread
from service.interactions.apply import keys_of
from service.interactions.context import Context, allow_everything
from service.jobs.erasure import Eraser, Erasure
from service.settings import Settings
from service.store.opening import open_store

pytestmark = pytest.mark.anyio
ERASURE = Erasure("2026-02-04T10:00:00.000Z", "asked by letter", "person", "root")
ALL = "system/*.cruds restricted very-restricted"
THEIRS = ("Encounter/visit-ann", "Observation/weight-ann", "Goal/goal-ann", "Provenance/origin-ann")


@pytest.fixture
async def erased(ward: Ward, settings: Settings, clock: Callable[[], datetime]) -> Ward:
    """The ward, where Ann was erased while the service ran; she has an identifier and two versions."""
    system = ward.client(ALL)
    ann = (await system.get("/fhir/Patient/ann")).json() | {
        "identifier": [{"system": "urn:p", "value": "ann"}]
    }
    assert (await system.put("/fhir/Patient/ann", json=ann)).status_code == 200
    assert (
        await system.put("/fhir/Observation/weight-ann", json=observation("weight-ann", "ann"))
    ).is_success
    context = Context("http://test/fhir", allow_everything)
    eraser = Eraser(lambda one: keys_of(reread(one.content), one.id, context), "http://test/fhir")
    store = await open_store(settings, clock)  # as the command does while the service runs
    found = await eraser.look(store, "ann", lambda _done, _all: None)
    await eraser.erase(store, found, ERASURE, [], {})
    await store.close()
    return ward


@pytest.mark.published("FHIR R4 http.html, read, vread, history: 410 for a deleted resource, 404 for none")
async def test_the_patient_is_gone_and_all_else_as_if_it_had_never_been(erased: Ward) -> None:
    system = erased.client(ALL)
    gone = await system.get("/fhir/Patient/ann")
    assert gone.status_code == 410
    assert "Ann" not in gone.text
    history = (await system.get("/fhir/Patient/ann/_history")).json()
    assert [one["request"]["method"] for one in history["entry"]] == ["DELETE"]
    assert "resource" not in history["entry"][0]
    (version,) = [one["response"]["etag"].strip('W/"') for one in history["entry"]]
    statuses = [(await system.get(f"/fhir/Patient/ann/_history/{one}")).status_code for one in ("1", version)]
    assert statuses == [404, 410]
    for name in THEIRS:
        for address in (name, f"{name}/_history", f"{name}/_history/1"):
            assert (await system.get(f"/fhir/{address}")).status_code == 404, address
    dora = erased.dora()
    assert (await dora.get("/fhir/Patient/ann")).status_code == 404, "in nobody's care any more"


async def test_no_search_history_or_operation_finds_them(erased: Ward) -> None:
    system = erased.client(ALL)
    for asked in (
        "Patient?_id=ann",
        "Patient?identifier=urn:p|ann",
        "Patient?name=Ann",
        "Observation?patient=ann",
        "Observation?subject:Patient._id=ann",
        "Provenance?target=Observation/weight-ann",
        "Patient?_has:Observation:patient:_id=weight-ann",
    ):
        answer = (await system.get(f"/fhir/{asked}")).json()
        found = [one["resource"]["id"] for one in answer.get("entry", ()) if "id" in one["resource"]]
        assert (answer["total"], found) == (0, []), asked
    told = json.dumps((await system.get("/fhir/_history?_count=500")).json())
    assert "Patient/ben" in told
    assert "weight-ann" not in told
    for operation in ("$everything", "$goal-attainment"):
        assert (await system.get(f"/fhir/Patient/ann/{operation}")).status_code == 410
    both = (await system.get("/fhir/Group/both")).json()
    assert [one["entity"].get("reference") for one in both["member"]] == [None, "Patient/ben"]


async def test_nothing_comes_back_under_their_id_and_somebody_new_is_somebody_new(erased: Ward) -> None:
    system = erased.client(ALL)
    ann = {"resourceType": "Patient", "id": "ann", "identifier": [{"system": "urn:p", "value": "ann"}]}
    about = observation("new", "ann")
    new = {one: value for one, value in ann.items() if one != "id"}
    back = [
        await system.put("/fhir/Patient/ann", json=ann),
        await system.put("/fhir/Observation/new", json=about),
        await system.post("/fhir/Observation", json=about),
        await system.post("/fhir/Observation", json=about, headers={"If-None-Exist": "identifier=urn:o|1"}),
        await system.put("/fhir/Goal/goal-ben", json=goal_about("ann")),
    ]
    assert [one.status_code for one in back] == [409] * len(back)
    assert {one.json()["issue"][0]["code"] for one in back} == {"conflict"}
    patched = await system.patch(
        "/fhir/Patient/ann",
        content=b'[{"op": "add", "path": "/active", "value": true}]',
        headers={"Content-Type": "application/json-patch+json"},
    )
    assert patched.status_code == 410
    assert (await system.delete("/fhir/Patient/ann")).status_code == 204
    once = {"If-None-Exist": "identifier=urn:p|ann"}
    made = [await system.post("/fhir/Patient", json=new, headers=once) for _ in range(2)]
    assert [one.status_code for one in made] == [201, 200]
    assert made[0].headers["location"].split("/")[5] != "ann"
    assert (await system.get("/fhir/Observation/new")).status_code == 404
    assert (await system.get("/fhir/Patient/ann")).status_code == 410


def goal_about(who: str) -> dict[str, object]:
    return {
        "resourceType": "Goal",
        "id": "goal-ben",
        "lifecycleStatus": "active",
        "description": {"text": "Eat at home"},
        "subject": ref(f"Patient/{who}"),
    }
