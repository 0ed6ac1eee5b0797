"""Attacks on the patients of others: each must end as if nothing of theirs were on file."""

from dataclasses import replace

import pytest
from httpx import AsyncClient, Response
from ward import CATEGORY, CONFIDENTIALITY, DORA, ERIC, Tree, Ward, label, observation, of_category, ref

from service.security.remembered import Remembered

pytestmark = [pytest.mark.anyio, pytest.mark.conformance("I5")]


def asking(ward: Ward, who: str) -> AsyncClient:
    """Dora, or a program that was started for Ann."""
    if who == "dora":
        return ward.dora()
    return ward.client("patient/*.cruds", user="Patient/ann", patient="ann")


@pytest.fixture
def dora(ward: Ward) -> AsyncClient:
    return ward.dora()


@pytest.fixture
def ann(ward: Ward) -> AsyncClient:
    return asking(ward, "ann")


@pytest.fixture
def everybody(ward: Ward) -> AsyncClient:
    return ward.client("system/*.cruds restricted very-restricted")


def named(answer: Response) -> set[str]:
    """What the entries of a Bundle are; the whole answer never speaks of Ben's."""
    assert answer.status_code == 200, answer.text
    return {f"{one['resource']['resourceType']}/{one['resource']['id']}" for one in entries(answer.json())}


def entries(bundle: Tree) -> list[Tree]:
    found = [one for one in bundle.get("entry", []) if "resource" in one]
    return [one for one in found if one["resource"]["resourceType"] != "OperationOutcome"]


def of_ben(names: set[str]) -> set[str]:
    return {name for name in names if name.endswith("ben")}


OWN = ("Patient/ann", "Observation/weight-ann", "Goal/goal-ann", "Encounter/visit-ann", "CareTeam/team-ann")
OTHERS = (
    "Patient/ben",
    "Observation/weight-ben",
    "Goal/goal-ben",
    "Encounter/visit-ben",
    "CareTeam/team-ben",
    "List/list-ben",
    "Provenance/origin-ben",
    "Binary/file-ben",
    "Group/both",
    "Observation/shared",
)


@pytest.mark.conformance("I11")
@pytest.mark.conformance("L8")
@pytest.mark.parametrize("who", ["dora", "ann"])
async def test_ids_of_others_are_answered_as_if_they_were_none(who: str, ward: Ward) -> None:
    client = asking(ward, who)
    for name in OWN:
        assert (await client.get(f"/fhir/{name}")).status_code == 200, name
    assert (await client.get("/fhir/Practitioner/eric")).status_code == 200
    assert (await client.get("/fhir/Binary/file-ann", headers={"Accept": "*/*"})).content == b"a"
    assert (await client.get("/fhir/Provenance/origin-ann")).status_code == 200
    for name in OTHERS:
        nothing = await client.get(f"/fhir/{name.partition('/')[0]}/nothing-of-the-kind")
        for path in ("", "/_history", "/_history/1", "/$meta"):
            answer = await client.get(f"/fhir/{name}{path}")
            assert answer.status_code == 404, (name, path)
            assert "was deleted" not in answer.text
        answer = await client.get(f"/fhir/{name}")
        hidden = answer.json()["issue"][0]["details"]["text"]
        told = nothing.json()["issue"][0]["details"]["text"]
        assert hidden.replace(name, "") == told.replace(f"{name.partition('/')[0]}/nothing-of-the-kind", "")
        assert (await client.head(f"/fhir/{name}")).status_code == 404


SEARCHES = (
    "Patient",
    "Patient?_id=ann,ben",
    "Patient?name=Ben",
    "Patient?name:contains=e",
    "Patient?_sort=birthdate",
    "Patient?_sort=-_lastUpdated&_count=1",
    "Patient?birthdate=lt1945-01-01",
    "Patient?_has:Observation:patient:code=29463-7",
    "Patient?_has:Observation:patient:_id=weight-ben",
    "Patient?_has:CareTeam:patient:participant=Practitioner/dora",
    "Patient?general-practitioner=Practitioner/eric",
    "Observation",
    "Observation?patient=ben",
    "Observation?patient=Patient/ann,Patient/ben",
    "Observation?subject:Patient.name=Ben",
    "Observation?subject:Patient.birthdate=lt1945-01-01",
    "Observation?performer:Patient.name=Ben",
    "Observation?_id=weight-ben",
    "Observation?_list=list-ann",
    "Observation?_list=list-ben",
    "Observation?code:missing=false",
    "Observation?encounter:Encounter.status=finished",
    "Observation?code-value-string=29463-7$x",
    "Encounter?_has:Observation:encounter:status=final",
    "Encounter?subject:Patient.general-practitioner=Practitioner/eric",
    "Encounter?_revinclude=Observation:encounter&_include=Encounter:subject",
    "Observation?_include=Observation:subject&_include:iterate=Patient:general-practitioner",
    "Practitioner?_revinclude=Patient:general-practitioner&_revinclude=CareTeam:participant",
    "Practitioner?_id=eric&_has:Patient:general-practitioner:name=Ben",
    "Practitioner?_has:Patient:general-practitioner:_id=ben",
    "Patient/ben/Observation",
    "Patient/ben/*",
    "Practitioner/eric/Patient",
    "Encounter/visit-ben/Observation",
    "Group",
    "Group?member=Patient/ben",
    "List",
    "CareTeam?participant=Practitioner/dora",
    "Provenance",
    "Provenance?target=Observation/weight-ben",
    "Provenance?target:Observation.subject:Patient.name=Ben",
    "Binary",
    "Flag?_security=http://x|y",
    "?_type=Patient,Observation,Group",
    "",
)


@pytest.mark.parametrize("who", ["dora", "ann"])
async def test_searches_find_nothing_of_others(who: str, ward: Ward) -> None:
    client = asking(ward, who)
    for path in SEARCHES:
        await find_nothing_of_others(client, f"/fhir{path}" if path.startswith("?") else f"/fhir/{path}")


async def find_nothing_of_others(client: AsyncClient, address: str) -> None:
    joined = "&" if "?" in address else "?"
    counted = await client.get(f"{address}{joined}_summary=count")
    first = await client.get(address)
    if first.status_code == 400:  # not a search of this type: nothing is told
        assert counted.status_code == 400, address
        return
    pages = [first]
    while following := [one["url"] for one in pages[-1].json()["link"] if one["relation"] == "next"]:
        pages.append(await client.get(following[0]))
    found = [(name, address) for page in pages for name in named(page)]
    assert not [one for one in found if one[0].endswith("ben") or one[0] in OTHERS]
    matches = [one for page in pages for one in entries(page.json()) if one["search"]["mode"] == "match"]
    assert counted.json()["total"] == first.json()["total"] == len(matches), address


async def test_whoever_reaches_both_finds_both(everybody: AsyncClient) -> None:
    found = named(await everybody.get("/fhir/Observation?_count=100"))
    assert {"Observation/weight-ann", "Observation/weight-ben", "Observation/shared"} <= found
    chained = named(await everybody.get("/fhir/Observation?subject:Patient.name=Ben"))
    assert of_ben(chained) == chained != set()
    assert "Group/both" in named(await everybody.get("/fhir/Group"))
    assert (
        len(named(await everybody.get("/fhir/Practitioner?_has:Patient:general-practitioner:_id=ben"))) == 1
    )


async def test_history_keeps_to_the_versions_of_ones_own(dora: AsyncClient, everybody: AsyncClient) -> None:
    moved = observation("moved", "ben")
    await everybody.put("/fhir/Observation/moved", json=moved)
    await everybody.put("/fhir/Observation/moved", json=observation("moved", "ann"))
    await everybody.delete("/fhir/Goal/goal-ben")
    await everybody.delete("/fhir/Goal/goal-ann")
    for path in ("/fhir/_history", "/fhir/Observation/_history", "/fhir/Observation/moved/_history"):
        bundle = (await dora.get(path)).json()
        shown = [one["resource"] for one in entries(bundle)]
        assert all("ben" not in one["id"] and "Patient/ben" not in str(one) for one in shown), path
        assert shown
    assert (await dora.get("/fhir/Observation/moved/_history/1")).status_code == 404
    assert (await dora.get("/fhir/Observation/moved/_history/2")).status_code == 200
    deletions = (await dora.get("/fhir/Goal/_history")).json()["entry"]
    gone = {one["request"]["url"] for one in deletions if one["request"]["method"] == "DELETE"}
    assert gone == {"Goal/goal-ann"}
    assert (await dora.get("/fhir/Goal/goal-ann")).status_code == 410
    assert (await dora.get("/fhir/Goal/goal-ben")).status_code == 404
    away = observation("moved", "ben")
    await everybody.put("/fhir/Observation/moved", json=away)
    assert (await dora.get("/fhir/Observation/moved")).status_code == 404
    assert (await dora.get("/fhir/Observation/moved/_history")).status_code == 404


async def test_histories_are_paged_without_gaps(dora: AsyncClient) -> None:
    whole = [one["fullUrl"] for one in (await dora.get("/fhir/_history?_count=100")).json()["entry"]]
    paged: list[str] = []
    address = "/fhir/_history?_count=3"
    while address:
        bundle = (await dora.get(address)).json()
        paged += [one["fullUrl"] for one in bundle.get("entry", [])]
        address = next((one["url"] for one in bundle["link"] if one["relation"] == "next"), "")
    assert paged == whole


@pytest.mark.parametrize(
    ("method", "path", "content"),
    [
        ("PUT", "Observation/weight-ben", observation("weight-ben", "ann")),
        ("PUT", "Observation/weight-ben", observation("weight-ben", "ben")),
        ("PUT", "Observation/weight-ann", observation("weight-ann", "ben")),
        ("PUT", "Observation/new", observation("new", "ben")),
        ("PUT", "Observation/new", observation("new", "ann", performer=[ref("Patient/ben")])),
        ("POST", "Observation", observation("", "ben")),
        ("POST", "Observation", observation("", "nobody")),
        ("PUT", "Observation?_id=weight-ann", observation("weight-ann", "ben")),
        (
            "PUT",
            "Patient/ben",
            {"resourceType": "Patient", "id": "ben", "generalPractitioner": [ref(DORA)]},
        ),
        (
            "POST",
            "CareTeam",
            {
                "resourceType": "CareTeam",
                "status": "active",
                "subject": ref("Patient/ben"),
                "participant": [{"member": ref(DORA)}],
            },
        ),
        ("PUT", "Practitioner/dora", {"resourceType": "Practitioner", "id": "dora"}),
        (
            "POST",
            "PractitionerRole",
            {
                "resourceType": "PractitionerRole",
                "active": True,
                "practitioner": ref(DORA),
                "organization": ref("Organization/clinic"),
            },
        ),
        (
            "POST",
            "Provenance",
            {
                "resourceType": "Provenance",
                "target": [ref("Observation/weight-ann"), ref("Observation/weight-ben")],
                "recorded": "2026-05-01T10:00:00Z",
                "agent": [{"who": ref(DORA)}],
            },
        ),
        (
            "PUT",
            "Binary/file-ann",
            {
                "resourceType": "Binary",
                "id": "file-ann",
                "contentType": "text/plain",
                "securityContext": ref("Observation/weight-ben"),
            },
        ),
    ],
)
async def test_nothing_is_written_about_others(
    ward: Ward, everybody: AsyncClient, method: str, path: str, content: Tree
) -> None:
    before = (await everybody.get("/fhir/_history?_count=1")).text
    sent = {**content}
    if not sent.get("id"):
        sent.pop("id", None)
    for client in (ward.dora(), ward.client("patient/*.cruds", patient="ann")):
        answer = await client.request(method, f"/fhir/{path}", json=sent)
        assert answer.status_code in {403, 404}, answer.text
        assert "weight-ben" not in answer.text or "weight-ben" in path
        entry = {"resource": sent, "request": {"method": method, "url": path}}
        smuggled = {
            "resourceType": "Bundle",
            "type": "transaction",
            "entry": [{**entry, "fullUrl": "urn:uuid:6a1c1a5e-1b2b-4c33-8f0c-0d6c5a1a1a1a"}],
        }
        assert (await client.post("/fhir", json=smuggled)).status_code in {403, 404}
    assert (await everybody.get("/fhir/_history?_count=1")).text == before


async def test_deleting_and_patching_what_is_others_does_nothing(
    dora: AsyncClient, ann: AsyncClient, everybody: AsyncClient
) -> None:
    before = (await everybody.get("/fhir/_history?_count=1")).text
    patch = [{"op": "replace", "path": "/status", "value": "amended"}]
    type_ = {"Content-Type": "application/json-patch+json"}
    for client in (dora, ann):
        nothing = await client.delete("/fhir/Observation/nothing")
        answer = await client.delete("/fhir/Observation/weight-ben")
        assert (answer.status_code, answer.text) == (nothing.status_code, nothing.text)
        await client.delete("/fhir/Observation?_id=weight-ben")
        answer = await client.patch("/fhir/Observation/weight-ben", json=patch, headers=type_)
        assert answer.status_code == 404
        away = [{"op": "replace", "path": "/subject/reference", "value": "Patient/ben"}]
        answer = await client.patch("/fhir/Observation/weight-ann", json=away, headers=type_)
        assert answer.status_code == 403
        meta = {"resourceType": "Parameters", "parameter": [{"name": "meta", "valueMeta": label("N")}]}
        for name in ("$meta-add", "$meta-delete"):
            answer = await client.post(f"/fhir/Observation/weight-ben/{name}", json=meta)
            assert answer.status_code == 404
    assert (await everybody.get("/fhir/_history?_count=1")).text == before


async def test_conditions_match_ones_own_alone(dora: AsyncClient, everybody: AsyncClient) -> None:
    for who in ("ann", "ben"):
        numbered = observation(f"numbered-{who}", who, identifier=[{"system": "urn:x", "value": who}])
        await everybody.put(f"/fhir/Observation/numbered-{who}", json=numbered)
    of_ann = observation("", "ann", identifier=[{"system": "urn:x", "value": "ben"}])
    del of_ann["id"]
    made = await dora.post(
        "/fhir/Observation", json=of_ann, headers={"If-None-Exist": "identifier=urn:x|ben"}
    )
    assert made.status_code == 201
    assert made.json()["id"] != "numbered-ben"
    again = await dora.post(
        "/fhir/Observation", json=of_ann, headers={"If-None-Exist": "identifier=urn:x|ann"}
    )
    assert again.json()["id"] == "numbered-ann"
    conditional = {
        "resourceType": "Bundle",
        "type": "transaction",
        "entry": [
            {
                "resource": {**of_ann, "subject": {"reference": "Patient?name=Ben"}},
                "request": {"method": "POST", "url": "Observation"},
            }
        ],
    }
    answer = await dora.post("/fhir", json=conditional)
    assert answer.status_code in {403, 404, 412, 422}
    assert "Patient/ben" not in answer.text


async def test_reads_inside_bundles_are_confined(dora: AsyncClient) -> None:
    asked = (
        "Observation/weight-ben",
        "Patient/ben",
        "Observation?patient=ben",
        "Patient/ben/$everything",
        "Observation/$lastn?patient=ben",
    )
    for kind in ("batch", "transaction"):
        for url in asked:
            bundle = {
                "resourceType": "Bundle",
                "type": kind,
                "entry": [{"request": {"method": "GET", "url": url}}],
            }
            answer = await dora.post("/fhir", json=bundle)
            assert "weight-ben" not in answer.text.replace(url, "") or answer.status_code == 404
            assert "1940-01-01" not in answer.text


async def test_who_takes_in_a_patient_may_write_about_them(ward: Ward, dora: AsyncClient) -> None:
    new = "urn:uuid:0c3a7a30-3e0e-4ec4-9d9e-1f3c7d0f5b11"
    about = {**observation("", "x"), "subject": ref(new)}
    del about["id"]
    team = {
        "resourceType": "CareTeam",
        "status": "active",
        "subject": ref(new),
        "participant": [{"member": ref(DORA)}],
    }
    patient = {"resourceType": "Patient", "name": [{"family": "New"}]}
    bundle = {
        "resourceType": "Bundle",
        "type": "transaction",
        "entry": [
            {"resource": about, "request": {"method": "POST", "url": "Observation"}},
            {"fullUrl": new, "resource": patient, "request": {"method": "POST", "url": "Patient"}},
            {"resource": team, "request": {"method": "POST", "url": "CareTeam"}},
        ],
    }
    answer = await dora.post("/fhir", json=bundle)
    assert answer.status_code == 200, answer.text
    assert len(named(await dora.get("/fhir/Patient"))) == 2
    assert len(named(await ward.client("user/*.rs", user=ERIC).get("/fhir/Patient"))) == 1
    refused = await ward.client("patient/*.cruds", patient="ann").post("/fhir", json=bundle)
    assert refused.status_code == 403


async def test_operations_keep_to_ones_own(dora: AsyncClient, ann: AsyncClient) -> None:
    for client in (dora, ann):
        assert (await client.get("/fhir/Patient/ann/$goal-attainment")).status_code == 200
        assert (await client.get("/fhir/Patient/ben/$goal-attainment")).status_code == 404
        assert (await client.get("/fhir/Patient/ben/$everything")).status_code == 404
        assert (await client.get("/fhir/Encounter/visit-ben/$everything")).status_code == 404
        found = named(await client.get("/fhir/Patient/ann/$everything"))
        assert "Observation/weight-ann" in found
        assert not of_ben(found)
        latest = named(await client.get("/fhir/Observation/$lastn?code=29463-7&patient=ann"))
        assert "Observation/vital-ann" in latest
        assert not named(await client.get("/fhir/Observation/$lastn?code=29463-7&patient=ben"))
        assert (await client.get("/fhir/$meta")).status_code == 403
        assert (await client.get("/fhir/Observation/$meta")).status_code == 403
        period = "periodStart=2026-01-01&periodEnd=2026-06-01"
        cohort = await client.get(f"/fhir/Measure/goal-attainment/$evaluate-measure?{period}")
        if cohort.status_code == 200:
            assert "ben" not in cohort.text


async def test_decisions_keep_to_ones_own(ward: Ward) -> None:
    dora = ward.dora("user/*.rs goal-decisions")
    reason = {
        "resourceType": "Parameters",
        "parameter": [
            {"name": "achievement", "valueCode": "achieved"},
            {"name": "reason", "valueString": "Seen."},
        ],
    }
    first = {"If-Match": 'W/"1"'}
    own = await dora.post("/fhir/Goal/goal-ann/$override-status", json=reason, headers=first)
    assert own.status_code == 200, own.text
    others = await dora.post("/fhir/Goal/goal-ben/$override-status", json=reason, headers=first)
    assert others.status_code == 404


@pytest.mark.conformance("I4")
async def test_a_query_part_confines_every_way(ward: Ward) -> None:
    scope = f"user/Observation.rs?category={CATEGORY}|vital-signs user/Patient.rs"
    dora = ward.dora(scope)
    assert (await dora.get("/fhir/Observation/vital-ann")).status_code == 200
    for id_ in ("weight-ann", "vital-ben"):
        for path in ("", "/_history", "/_history/1"):
            assert (await dora.get(f"/fhir/Observation/{id_}{path}")).status_code == 404
    found = await dora.get("/fhir/Observation")
    assert (named(found), found.json()["total"]) == ({"Observation/vital-ann"}, 1)
    assert not named(await dora.get("/fhir/Patient?_has:Observation:patient:_id=weight-ann"))
    both = named(await dora.get("/fhir/Patient?_revinclude=Observation:patient"))
    assert both == {"Patient/ann", "Observation/vital-ann"}
    history = {one["fullUrl"] for one in (await dora.get("/fhir/Observation/_history")).json()["entry"]}
    assert history == {"http://test/fhir/Observation/vital-ann"}
    writes = ward.dora(f"user/Observation.cu?category={CATEGORY}|vital-signs")
    vital = observation("vital-ann", "ann", **of_category("vital-signs"), issued="2026-05-01T10:00:00Z")
    assert (await writes.put("/fhir/Observation/vital-ann", json=vital)).status_code == 200
    turned = observation("vital-ann", "ann", **of_category("exam"))
    assert (await writes.put("/fhir/Observation/vital-ann", json=turned)).status_code == 403
    taken = observation("weight-ann", "ann", **of_category("vital-signs"))
    assert (await writes.put("/fhir/Observation/weight-ann", json=taken)).status_code == 404


async def test_scopes_of_several_levels_do_not_add_up_to_more(ward: Ward) -> None:
    mixed = ward.client("patient/Observation.rs system/Practitioner.rs", patient="ann")
    assert (await mixed.get("/fhir/Observation/weight-ben")).status_code == 404
    assert (await mixed.get("/fhir/Patient/ann")).status_code == 403
    nobody = ward.client("user/*.rs")
    assert not of_ben(named(await nobody.get("/fhir/Patient")))
    assert not named(await nobody.get("/fhir/Goal"))
    elsewhere = ward.client("user/*.rs", user="https://elsewhere.example.org/fhir/Practitioner/dora")
    assert not named(await elsewhere.get("/fhir/Patient"))
    unnamed = ward.client("patient/*.rs")
    assert (await unnamed.get("/fhir/Patient/ann")).status_code == 403


@pytest.mark.conformance("L8")
async def test_what_is_labelled_is_hidden_from_who_lacks_the_scope(
    ward: Ward, everybody: AsyncClient
) -> None:
    for scope, sees in (
        ("user/*.cruds", False),
        ("user/*.cruds restricted", True),
        ("user/*.cruds very-restricted", False),
    ):
        dora = ward.dora(scope)
        assert ((await dora.get("/fhir/Observation/secret-ann")).status_code == 200) is sees
        assert ("Observation/secret-ann" in named(await dora.get("/fhir/Observation"))) is sees
        assert ("Observation/secret-ann" in named(await dora.get("/fhir/Patient/ann/$everything"))) is sees
        assert ((await dora.get("/fhir/Observation/secret-ann/_history/1")).status_code == 200) is sees
    plain = ward.client("system/*.cruds")
    assert (await plain.get("/fhir/Observation/secret-ben")).status_code == 404
    stripped = observation("secret-ann", "ann")
    assert (await plain.put("/fhir/Observation/secret-ann", json=stripped)).status_code == 404
    meta = {"resourceType": "Parameters", "parameter": [{"name": "meta", "valueMeta": label("R")}]}
    assert (await plain.post("/fhir/Observation/secret-ann/$meta-delete", json=meta)).status_code == 404
    patch = [{"op": "remove", "path": "/meta/security"}]
    headers = {"Content-Type": "application/json-patch+json"}
    assert (await plain.patch("/fhir/Observation/secret-ann", json=patch, headers=headers)).status_code == 404
    assert "secret" not in (await plain.get("/fhir/Observation/_history")).text
    kept = await everybody.put("/fhir/Observation/secret-ann", json=stripped)
    assert kept.json()["meta"]["security"] == label("R")["security"]
    system = CONFIDENTIALITY.replace("C", r"\u0043")
    escaped = (
        '{"resourceType":"Observation","id":"odd","status":"final","code":{"text":"x"},'
        f'"meta":{{"security":[{{"system":"{system}","code":"R"}}]}}}}'
    )
    await everybody.put(
        "/fhir/Observation/odd", content=escaped, headers={"Content-Type": "application/fhir+json"}
    )
    assert (await plain.get("/fhir/Observation/odd")).status_code == 404


async def test_breaking_the_glass_opens_for_one_request_what_care_keeps_closed(ward: Ward) -> None:
    dora = ward.dora("user/*.rs break-glass")
    glass = {"X-Break-Glass": "Found unconscious."}
    assert (await dora.get("/fhir/Patient/ben")).status_code == 404
    assert (await dora.get("/fhir/Patient/ben", headers=glass)).status_code == 200
    assert (await dora.get("/fhir/Observation/secret-ben", headers=glass)).status_code == 200
    assert (await dora.get("/fhir/Patient/ben")).status_code == 404
    refused = await ward.dora().get("/fhir/Patient/ben", headers=glass)
    assert refused.status_code == 403
    assert "break-glass" in refused.text
    launched = ward.client("patient/*.rs break-glass", patient="ann")
    assert (await launched.get("/fhir/Patient/ben", headers=glass)).status_code == 404


async def test_who_leaves_a_team_loses_its_patient_at_once(dora: AsyncClient, everybody: AsyncClient) -> None:
    assert (await dora.get("/fhir/Observation/weight-ann")).status_code == 200
    team = (await everybody.get("/fhir/CareTeam/team-ann")).json()
    await everybody.put("/fhir/CareTeam/team-ann", json={**team, "status": "inactive"})
    assert (await dora.get("/fhir/Observation/weight-ann")).status_code == 404
    assert not named(await dora.get("/fhir/Observation"))


async def test_pages_of_another_caller_lead_to_ones_own(dora: AsyncClient, everybody: AsyncClient) -> None:
    first = (await everybody.get("/fhir/Observation?_count=1&_sort=_id")).json()
    link = next(one["url"] for one in first["link"] if one["relation"] == "next")
    assert not of_ben(named(await dora.get(link)))


async def test_the_pages_show_ones_own(ward: Ward) -> None:
    dora = ward.dora("user/*.rs")
    listed = await dora.get("/app?list=all")
    assert listed.status_code == 200
    assert "Ann" in listed.text
    assert "Ben" not in listed.text
    assert (await dora.get("/app/patients/ann")).status_code == 200
    for path in ("/app/patients/ben", "/app/patients/ben/visits/visit-ben", "/app/resources/Goal/goal-ben"):
        assert (await dora.get(path)).status_code == 404, path


async def test_the_address_a_request_names_makes_nobody_ours(
    ward: Ward, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whose person a token names follows from the settings, not from a Host field, which anybody writes."""
    theirs = ward.client("user/*.rs", user="http://elsewhere.example.org/fhir/Practitioner/dora")
    ours = ward.client("user/*.rs", user="https://fhir.example.org/swallow/fhir/Practitioner/dora")
    for base, seen in (("", set()), ("https://fhir.example.org/swallow/", {"Patient/ann"})):
        services = ward.app.services
        settings = services.settings.model_copy(update={"base_url": base})
        other = replace(services, settings=settings, remembered=Remembered())
        monkeypatch.setattr(ward.app, "services", other)
        for host in ("elsewhere.example.org", "fhir.example.org", "test"):
            headers = {"Host": host}
            assert named(await theirs.get("/fhir/Patient", headers=headers)) == set()
            assert (await theirs.get("/fhir/Patient/ann", headers=headers)).status_code == 404
            assert (await theirs.get("/app/patients/ann", headers=headers)).status_code == 404
            assert named(await ours.get("/fhir/Patient", headers=headers)) == seen
