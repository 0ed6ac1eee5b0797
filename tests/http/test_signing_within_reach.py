"""Who signs a visit: its own clinician, all of it; nobody else's, as if it were not there."""

import re
from html import unescape
from typing import Any

import pytest
from ward import Ward, label, observation, ref

from service.fhir.canonical import extension

pytestmark = pytest.mark.anyio
SCOPES = "user/*.rs goal-decisions"
TAG = {"If-Match": 'W/"1"'}


@pytest.fixture(autouse=True)
async def _drafts(ward: Ward) -> None:
    for who in ("ann", "ben"):
        await draft(ward, who)


def named(value: str) -> dict[str, Any]:
    return {"identifier": [{"system": "urn:records", "value": value}]}


async def draft(ward: Ward, who: str) -> None:
    """A draft visit with a part that its clinician may not see."""
    preliminary = {"url": "status", "valueCode": "preliminary"}
    visit = {
        "resourceType": "Encounter",
        "id": f"draft-{who}",
        "extension": [{"url": extension("visit-signature"), "extension": [preliminary]}],
        **named(f"visit-{who}"),
        "status": "finished",
        "class": {"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "AMB"},
        "subject": ref(f"Patient/{who}"),
        "period": {"start": "2026-05-01T09:00:00Z", "end": "2026-05-01T10:00:00Z"},
    }
    part = observation(f"part-{who}", who, meta=label("R"), **named(f"visit-{who}/pre/1"))
    system = ward.client("system/*.cruds restricted")
    for tree in (visit, part | {"status": "preliminary"}):
        answer = await system.put(f"/fhir/{tree['resourceType']}/{tree['id']}", json=tree)
        assert answer.status_code == 201, answer.text


async def test_who_reaches_the_visit_signs_all_of_it_what_is_hidden_from_them_too(ward: Ward) -> None:
    dora = ward.dora(SCOPES)
    assert (await dora.get("/fhir/Observation/part-ann")).status_code == 404
    answer = await dora.post("/fhir/Encounter/draft-ann/$sign-visit", headers=TAG)
    assert answer.status_code == 200, answer.text
    system = ward.client("system/*.rs restricted")
    assert (await system.get("/fhir/Observation/part-ann")).json()["status"] == "final"


async def test_signing_on_the_page_signs_all_of_it_too(ward: Ward) -> None:
    dora = ward.dora(SCOPES, Origin="http://test")
    form = await dora.get("/app/patients/ann/visits/draft-ann/signature")
    assert "also those that a label hides from you" in form.text
    hidden = re.findall(r'type="hidden" name="([^"]+)" value="([^"]*)"', form.text)
    sent = {name: unescape(value) for name, value in hidden} | {"act": "sign", "signer": "licensed"}
    answer = await dora.post("/app/patients/ann/visits/draft-ann/signature", data=sent)
    assert answer.status_code == 303, answer.text
    system = ward.client("system/*.rs restricted")
    assert (await system.get("/fhir/Observation/part-ann")).json()["status"] == "final"


async def test_another_s_visit_is_not_there(ward: Ward) -> None:
    answer = await ward.dora(SCOPES).post("/fhir/Encounter/draft-ben/$sign-visit", headers=TAG)
    assert answer.status_code == 404
    sent = {"act": "sign", "signer": "licensed", "version": TAG["If-Match"]}
    dora = ward.dora(SCOPES, Origin="http://test")
    for who in ("ann", "ben"):
        page = await dora.post(f"/app/patients/{who}/visits/draft-ben/signature", data=sent)
        assert page.status_code in {403, 404}, page.text
    system = ward.client("system/*.rs restricted")
    assert (await system.get("/fhir/Observation/part-ben")).json()["status"] == "preliminary"


async def test_rights_to_write_alone_do_not_let_sign(ward: Ward) -> None:
    answer = await ward.dora("user/*.cruds").post("/fhir/Encounter/draft-ann/$sign-visit", headers=TAG)
    assert answer.status_code == 403
