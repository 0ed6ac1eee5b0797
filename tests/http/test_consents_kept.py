"""What Consents keep from whom, in every way there is to a resource."""

from typing import Any

import pytest
from httpx import AsyncClient
from ward import CONFIDENTIALITY, DORA, ERIC, Tree, Ward, label, observation, ref

pytestmark = [pytest.mark.anyio, pytest.mark.conformance("I10")]

CODES = "http://terminology.hl7.org/CodeSystem"


@pytest.fixture
def registry(ward: Ward) -> AsyncClient:
    """A program that reaches everybody, without a stated purpose."""
    return ward.client("system/*.rs")


def consent(base: str, *exceptions: Tree) -> Tree:
    return {
        "resourceType": "Consent",
        "id": "ann",
        "status": "active",
        "scope": {"coding": [{"system": f"{CODES}/consentscope", "code": "patient-privacy"}]},
        "category": [{"coding": [{"system": "http://loinc.org", "code": "59284-0"}]}],
        "patient": ref("Patient/ann"),
        "policyRule": {"coding": [{"system": f"{CODES}/v3-ActCode", "code": base}]},
        **({"provision": {"provision": list(exceptions)}} if exceptions else {}),
    }


def exception(type_: str, **conditions: Any) -> Tree:
    return {"type": type_, **conditions}


def types(*names: str) -> list[Tree]:
    return [{"system": "http://hl7.org/fhir/resource-types", "code": name} for name in names]


def actor(reference: str) -> Tree:
    role = {"coding": [{"system": f"{CODES}/v3-ParticipationType", "code": "PRCP"}]}
    return {"role": role, "reference": ref(reference)}


async def file(ward: Ward, tree: Tree) -> None:
    answer = await ward.client("system/*.cruds").put(f"/fhir/Consent/{tree['id']}", json=tree)
    assert answer.status_code in {200, 201}, answer.text


async def found(client: AsyncClient, path: str) -> set[str]:
    answer = await client.get(f"/fhir/{path}")
    assert answer.status_code == 200, answer.text
    bundle = answer.json()
    names = {f"{one['resource']['resourceType']}/{one['resource']['id']}" for one in bundle.get("entry", [])}
    assert bundle.get("total", len(names)) == len(names)
    return names


async def sees(client: AsyncClient, name: str) -> bool:
    """Whether a resource is seen; by id, by its version, and in its history alike."""
    answers = [await client.get(f"/fhir/{name}{path}") for path in ("", "/_history/1", "/_history")]
    told = {answer.status_code for answer in answers}
    assert told in ({200}, {404}), (name, told)
    listed = name in await found(client, f"{name.partition('/')[0]}?_count=100")
    assert listed is (told == {200})
    return listed


async def test_who_opts_out_is_seen_by_nobody_but_themselves(ward: Ward, registry: AsyncClient) -> None:
    dora = ward.dora("user/*.rs")
    assert await sees(dora, "Observation/weight-ann")
    await file(ward, consent("OPTOUT"))
    for client in (dora, registry):
        for name in ("Patient/ann", "Observation/weight-ann", "Goal/goal-ann"):
            assert not await sees(client, name)
        assert (await client.get("/fhir/Patient/ann/$goal-attainment")).status_code == 404
        assert not await found(client, "Observation?subject:Patient.name=Ann")
    assert await sees(registry, "Observation/weight-ben")
    assert await sees(registry, "Consent/ann")  # who keeps it must be able to take it back
    themselves = ward.client("patient/*.rs", user="Patient/ann", patient="ann")
    assert await sees(themselves, "Observation/weight-ann")
    assert "Ann" not in (await dora.get("/app?list=all")).text


async def test_one_type_may_be_withheld(ward: Ward, registry: AsyncClient) -> None:
    await file(ward, consent("OPTIN", exception("deny", **{"class": types("Goal")})))
    assert not await sees(registry, "Goal/goal-ann")
    assert await sees(registry, "Goal/goal-ben")
    assert await sees(registry, "Observation/weight-ann")
    assert not await found(registry, "Patient?_has:Goal:patient:lifecycle-status=active&_id=ann")
    both = await found(registry, "?_type=Goal,Flag")
    assert both == {"Goal/goal-ben", "Flag/flag-ann", "Flag/flag-ben"}


async def test_a_person_may_be_excepted(ward: Ward, registry: AsyncClient) -> None:
    await file(ward, consent("OPTOUT", exception("permit", actor=[actor(DORA)])))
    assert await sees(ward.dora("user/*.rs"), "Observation/weight-ann")
    assert not await sees(registry, "Observation/weight-ann")
    await file(ward, consent("OPTIN", exception("deny", actor=[actor(DORA)])))
    assert not await sees(ward.dora("user/*.rs"), "Observation/weight-ann")
    assert await sees(registry, "Observation/weight-ann")


async def test_a_role_an_organization_or_a_team_may_be_excepted(ward: Ward) -> None:
    role = {
        "resourceType": "PractitionerRole",
        "id": "role",
        "active": True,
        "practitioner": ref(DORA),
        "organization": ref("Organization/clinic"),
    }
    await ward.client("system/*.cruds").put("/fhir/PractitionerRole/role", json=role)
    for one in ("PractitionerRole/role", "Organization/clinic", "CareTeam/team-ann"):
        await file(ward, consent("OPTOUT", exception("permit", actor=[actor(one)])))
        assert await sees(ward.dora("user/*.rs"), "Observation/weight-ann"), one
    await file(ward, consent("OPTOUT", exception("permit", actor=[actor(ERIC)])))
    assert not await sees(ward.dora("user/*.rs"), "Observation/weight-ann")


async def test_what_is_confidential_may_be_withheld(ward: Ward) -> None:
    writer = ward.client("system/*.cruds restricted very-restricted")
    for code in ("L", "N", "R", "V"):
        await writer.put(
            f"/fhir/Observation/labelled-{code}",
            json=observation(f"labelled-{code}", "ann", meta=label(code)),
        )
    both = {"security": [*label("N")["security"], *label("R")["security"]]}
    await writer.put("/fhir/Observation/both", json=observation("both", "ann", meta=both))
    restricted = [{"system": CONFIDENTIALITY, "code": "R"}]
    await file(ward, consent("OPTIN", exception("deny", securityLabel=restricted)))
    reader = ward.client("system/*.rs restricted very-restricted")
    seen = {
        name: await sees(reader, f"Observation/{name}")
        for name in (
            "labelled-L",
            "labelled-N",
            "weight-ann",
            "labelled-R",
            "labelled-V",
            "both",
            "secret-ann",
        )
    }
    assert seen == {
        "labelled-L": True,
        "labelled-N": True,
        "weight-ann": True,
        "labelled-R": False,
        "labelled-V": False,
        "both": False,
        "secret-ann": False,
    }
    assert await sees(reader, "Observation/secret-ben")


async def test_the_purpose_counts(ward: Ward) -> None:
    marketing = [{"system": f"{CODES}/v3-ActReason", "code": "HMARKT"}]
    await file(ward, consent("OPTIN", exception("deny", purpose=marketing)))
    assert await sees(ward.dora("user/*.rs"), "Observation/weight-ann")  # asks for treatment
    assert not await sees(ward.client("system/*.rs"), "Observation/weight-ann")  # does not say what for


async def test_a_consent_of_the_past_or_withdrawn_withholds_nothing(
    ward: Ward, registry: AsyncClient
) -> None:
    past = consent("OPTIN", exception("deny", period={"start": "2020-01-01", "end": "2020-12-31"}))
    await file(ward, past)
    assert await sees(registry, "Observation/weight-ann")
    await file(ward, consent("OPTOUT"))
    assert not await sees(registry, "Observation/weight-ann")
    await file(ward, {**consent("OPTOUT"), "status": "inactive"})
    assert await sees(registry, "Observation/weight-ann")


async def test_the_service_goes_on_filing_and_an_emergency_opens(ward: Ward) -> None:
    await file(ward, consent("OPTOUT"))
    dora = ward.dora("user/*.rs break-glass", **{"X-Break-Glass": "Not responding."})
    assert await sees(dora, "Observation/weight-ann")
    writes = ward.dora("user/*.cruds")
    refused = await writes.put("/fhir/Observation/weight-ann", json=observation("weight-ann", "ann"))
    assert refused.status_code == 404
