"""Who asked about somebody is found, also where the answer was a number, a refusal or nothing."""

import json

import pytest
from httpx import AsyncClient
from ward import Tree, Ward, observation, ref

from service.security.audit import Facts
from service.security.audit_event import events_of

pytestmark = [pytest.mark.anyio, pytest.mark.conformance("L1")]
JSON_PATCH = {"Content-Type": "application/json-patch+json"}


class Trail:
    """The AuditEvents of what is asked from now on."""

    def __init__(self, auditor: AsyncClient) -> None:
        self._auditor = auditor
        self._before: set[str] = set()

    async def begin(self) -> None:
        self._before = {one["id"] for one in await self._found("")}

    async def events(self, search: str = "") -> list[Tree]:
        """Those found by a search; reading the trail itself is not among them."""
        return [one for one in await self._found(search) if one["id"] not in self._before]

    async def names(self) -> set[str]:
        """What all of them name, without versions."""
        entities = [entity for event in await self.events() for entity in event.get("entity", ())]
        named = {one["what"]["reference"] for one in entities if "reference" in one.get("what", {})}
        return {one.partition("/_history/")[0] for one in named}

    async def _found(self, search: str) -> list[Tree]:
        answer = await self._auditor.get(f"/fhir/AuditEvent?_count=500&type=rest{search}")
        assert answer.status_code == 200, answer.text
        found = [one["resource"] for one in answer.json().get("entry", ())]
        return [one for one in found if one["agent"][0]["altId"] != "auditor"]


@pytest.fixture
async def trail(ward: Ward) -> Trail:
    trail = Trail(ward.client("audit-read", subject="auditor"))
    await trail.begin()
    return trail


@pytest.fixture
def everybody(ward: Ward) -> AsyncClient:
    return ward.client("system/*.cruds restricted")


SEARCHES = [
    "Observation?patient=ben&_summary=count",
    "Observation?patient=Patient/ben&_count=0",
    "Observation?subject:Patient=ben&_summary=count",
    "Observation?performer=Patient/ben&_summary=count",
    "Patient?_id=ben&_summary=count",
    "Patient?_id=ben&_count=0",
    "?_type=Patient,Observation&_id=ben&_summary=count",
    "Observation?subject:Patient._id=ben&_summary=count",
    "Observation?patient._id=ben&_summary=count",
    "Observation?encounter.patient=ben&_summary=count",
    "Encounter?_has:Observation:encounter:subject=Patient/ben&_summary=count",
    "Observation?patient=ben&code=nothing",
    "Patient/ben/Observation?_summary=count",
    "Group?member=Patient/ben&_summary=count",
    "Observation?p%61tient=b%65n&_summary=count",
    "Observation?patient=ben&nonsense=1",
]


@pytest.mark.parametrize("search", SEARCHES)
@pytest.mark.parametrize("who", ["dora", "everybody", "nobody"])
async def test_a_search_names_whom_it_asks_about(ward: Ward, trail: Trail, search: str, who: str) -> None:
    """Dora doesn't reach Ben, and nobody may search at all."""
    scope = {"dora": "user/*.cruds", "everybody": "system/*.cruds", "nobody": "launch"}[who]
    user = "Practitioner/dora" if who == "dora" else ""
    await ward.client(scope, user=user).get(f"/fhir/{search}".replace("/?", "?"))
    assert len(await trail.events("&patient=ben")) == 1


@pytest.mark.parametrize("method", ["GET", "POST"])
async def test_rows_asked_for_of_somebody_out_of_reach_name_them(
    ward: Ward, trail: Trail, method: str
) -> None:
    view = {"name": "viewReference", "valueReference": {"reference": "ViewDefinition/patient"}}
    whose = {"name": "patient", "valueReference": ref("Patient/ben")}
    address, body = "/fhir/$viewdefinition-run", {"resourceType": "Parameters", "parameter": [view, whose]}
    if method == "GET":
        answer = await ward.dora().get(f"{address}?viewReference=patient&patient=Patient/ben")
    else:
        answer = await ward.dora().post(address, json=body)
    assert (answer.status_code, answer.text) == (200, "")
    assert len(await trail.events("&patient=ben")) == 1


async def test_an_export_refused_as_somebody_is_not_on_file_names_them(
    everybody: AsyncClient, trail: Trail
) -> None:
    whose = {"name": "patient", "valueReference": ref("Patient/nobody")}
    body = {"resourceType": "Parameters", "parameter": [whose]}
    headers = {"Prefer": "respond-async"}
    answer = await everybody.post("/fhir/Patient/$export", json=body, headers=headers)
    assert answer.status_code == 400
    assert len(await trail.events("&patient=nobody")) == 1


async def test_a_form_names_whom_it_asks_about(ward: Ward, trail: Trail) -> None:
    await ward.client("launch").post("/fhir/Observation/_search", data={"patient": "ben"})
    await ward.dora().post("/fhir/Observation/_search?_summary=count", data={"patient": "ben"})
    assert len(await trail.events("&patient=ben")) == 1  # whose form is not read has asked about nobody


BY_ID = [
    ("Observation?_id=weight-ben", "Observation/weight-ben"),
    (
        "Observation?nonsense=" + ",".join(f"Patient/{at}" for at in range(600)) + "&_id=weight-ben",
        "Observation/weight-ben",
    ),
    ("Patient/ben/Observation?_id=weight-ben", "Observation/weight-ben"),
    ("Patient?_has:Observation:subject:_id=weight-ben", "Observation/weight-ben"),
    ("Observation?encounter=visit-ben", "Encounter/visit-ben"),
    ("Observation?encounter=Encounter/visit-ben", "Encounter/visit-ben"),
    ("Observation?encounter._id=visit-ben", "Encounter/visit-ben"),
    ("Observation?_list=list-ben", "List/list-ben"),
]


@pytest.mark.parametrize(("search", "name"), BY_ID)
@pytest.mark.parametrize("scope", ["user/*.cruds", "launch"])
async def test_a_search_names_what_it_asks_for_by_id(
    ward: Ward, trail: Trail, search: str, name: str, scope: str
) -> None:
    await ward.dora(scope, Prefer="handling=lenient").get(f"/fhir/{search}&_summary=count")
    assert len(await trail.events(f"&entity={name}")) == 1


@pytest.mark.parametrize("deep", ["_has:Observation:subject:" * 400, "subject." * 1_000, "_has:" * 1_000])
async def test_no_depth_of_a_name_stands_in_the_way(ward: Ward, trail: Trail, deep: str) -> None:
    answer = await ward.dora().get(f"/fhir/Patient?{deep}_id=x&_id=ben")
    assert answer.status_code in {400, 414}
    assert len(await trail.events()) == 1


async def test_reading_the_trail_about_somebody_is_asking_about_them(ward: Ward, trail: Trail) -> None:
    await ward.client("audit-read", subject="curious").get("/fhir/AuditEvent?patient=ben&_summary=count")
    assert len(await trail.events("&patient=ben")) == 1


@pytest.mark.parametrize(
    ("path", "value", "status"), [("/code/text", "Stroke", 422), ("/code/text", "Dysphagia", 200)]
)
@pytest.mark.parametrize(
    "url",
    ["Condition?patient=ben", "Condition/condition-ben", "Condition?code:text=Dysphagia&_id=condition-ben"],
)
async def test_a_patch_that_only_tests_names_whom_it_tells_of(
    everybody: AsyncClient, trail: Trail, url: str, path: str, value: str, status: int
) -> None:
    patch = [{"op": "test", "path": path, "value": value}]
    answer = await everybody.patch(f"/fhir/{url}", content=json.dumps(patch), headers=JSON_PATCH)
    assert answer.status_code == status, answer.text
    assert len(await trail.events("&patient=ben")) == 1


async def test_a_patch_found_by_identifier_names_whom_it_tells_of(
    everybody: AsyncClient, trail: Trail
) -> None:
    one = {"identifier": [{"system": "urn:test", "value": "7"}]}
    await everybody.put("/fhir/Observation/numbered", json=observation("numbered", "ben", **one))
    await trail.begin()
    patch = [{"op": "test", "path": "/status", "value": "amended"}]
    url = "/fhir/Observation?identifier=urn:test|7"
    answer = await everybody.patch(url, content=json.dumps(patch), headers=JSON_PATCH)
    assert answer.status_code == 422
    assert len(await trail.events("&patient=ben")) == 1


@pytest.mark.parametrize("method", ["PATCH", "DELETE"])
async def test_a_refused_write_names_what_it_was_about(
    everybody: AsyncClient, trail: Trail, method: str
) -> None:
    """A version that has gone by since."""
    patch = json.dumps([{"op": "test", "path": "/status", "value": "final"}])
    headers = JSON_PATCH | {"If-Match": 'W/"9"'}
    answer = await everybody.request(method, "/fhir/Observation/weight-ben", content=patch, headers=headers)
    assert answer.status_code == 412
    assert await trail.names() == {"Patient/ben", "Observation/weight-ben"}


async def test_what_may_not_be_written_about_somebody_names_them(ward: Ward, trail: Trail) -> None:
    answer = await ward.dora().put("/fhir/Observation/planted", json=observation("planted", "ben"))
    assert answer.status_code == 403
    assert await trail.names() == {"Patient/ben", "Observation/planted"}


def bundle(kind: str, *requests: str) -> Tree:
    asked = [request.split(" ") for request in requests]
    entries = [{"request": {"method": method, "url": url}} for method, url in asked]
    return {"resourceType": "Bundle", "type": kind, "entry": entries}


PROBES = (
    "GET Patient/ben",
    "GET Observation/weight-ben",
    "GET http://test/fhir/Goal/goal-ben",
    "GET /Condition/condition-ben/_history",
    "GET Flag/flag-ben/_history/1",
    "DELETE Observation/vital-ben",
    "GET Patient/ben/$everything",
    "GET Encounter?_id=visit-ben",
    "GET Observation/never",
    "BREW Observation/secret-ben",
)
PROBED = {
    "Patient/ben",
    "Observation/weight-ben",
    "Goal/goal-ben",
    "Condition/condition-ben",
    "Flag/flag-ben",
    "Observation/vital-ben",
    "Encounter/visit-ben",
    "Observation/never",
    "Observation/secret-ben",
}


@pytest.mark.parametrize("scope", ["user/*.cruds", "user/Device.r"])
async def test_a_batch_names_what_its_entries_ask_for(ward: Ward, trail: Trail, scope: str) -> None:
    """Ids can't be probed many at once unseen; also not with an entry that can't be read."""
    sent = bundle("batch", *PROBES)
    sent["entry"] += [{"request": {}}, 7]
    answer = await ward.dora(scope).post("/fhir", json=sent)
    assert answer.status_code == 200, answer.text
    (event,) = await trail.events("&patient=ben")
    assert event["subtype"][0]["code"] == "batch"
    assert await trail.names() == PROBED
    for name in PROBED:
        assert len(await trail.events(f"&entity={name}")) == 1, name


async def test_a_batch_names_what_it_found(everybody: AsyncClient, trail: Trail) -> None:
    await everybody.post("/fhir", json=bundle("batch", "GET Observation/weight-ben"))
    assert await trail.names() == {"Patient/ben", "Observation/weight-ben"}


async def test_a_write_of_a_batch_is_told_apart_from_the_others(everybody: AsyncClient, trail: Trail) -> None:
    sent = bundle(
        "batch", "GET Observation/weight-ben", "DELETE Observation/vital-ann", "DELETE Flag/flag-ann"
    )
    await everybody.post("/fhir", json=sent)
    assert len(await trail.events("&patient=ben")) == 1
    assert len(await trail.events("&entity=Observation/vital-ann")) == 2  # the write, and the whole


@pytest.mark.parametrize("scope", ["user/*.cruds", "user/Device.r"])
async def test_a_refused_transaction_names_what_its_entries_ask_for(
    ward: Ward, trail: Trail, scope: str
) -> None:
    probes = bundle("transaction", "GET Patient/ben", "DELETE Observation/weight-ben", "GET Goal/goal-ann")
    answer = await ward.dora(scope).post("/fhir", json=probes)
    assert answer.status_code in {403, 404}
    (event,) = await trail.events("&patient=ben")
    assert event["subtype"][0]["code"] == "transaction"
    assert {"Patient/ben", "Observation/weight-ben", "Goal/goal-ann"} <= await trail.names()


FILES = ["Binary/file-ben", "Binary/file-ben/_history/1", "Binary/file-ben/_history", "Binary?_id=file-ben"]


@pytest.mark.parametrize("path", FILES)
async def test_a_file_is_about_whom_its_security_context_is(
    everybody: AsyncClient, trail: Trail, path: str
) -> None:
    assert (await everybody.get(f"/fhir/{path}")).status_code == 200
    assert len(await trail.events("&patient=ben")) == 1


@pytest.mark.parametrize("path", ["Group/both", "Group?_id=both", "Group/both/_history/1"])
async def test_a_group_is_about_its_members(everybody: AsyncClient, trail: Trail, path: str) -> None:
    assert (await everybody.get(f"/fhir/{path}")).status_code == 200
    assert {"Patient/ann", "Patient/ben"} <= await trail.names()


async def test_a_large_group_is_told_in_several_events(everybody: AsyncClient, trail: Trail) -> None:
    members = [{"entity": ref(f"Patient/{at}")} for at in range(1_001)]
    large = {"resourceType": "Group", "id": "large", "type": "person", "actual": True, "member": members}
    assert (await everybody.put("/fhir/Group/large", json=large)).status_code == 201
    await trail.begin()
    await everybody.get("/fhir/Group/large")
    assert len(await trail.events()) == 3
    assert len(await trail.names()) == 1_002


def test_an_event_names_at_most_500_people_and_500_resources() -> None:
    facts = Facts(subtype="batch")
    for at in range(1_200):
        facts.ask("Observation", str(at))
    facts.ask("Patient", "ben")
    events = events_of(facts, 200)
    assert [len(one.targets) for one in events] == [501, 501, 201]
    assert all("Patient/ben" in one.targets for one in events)
    assert len({target for one in events for target in one.targets}) == 1_201
