"""A draft is signed, and co-signed, by people at work: as if its record had come so."""

import asyncio
from datetime import date
from zoneinfo import ZoneInfo

import pytest
from deciding import person
from intake_desk import CONTEXT, Desk, values
from sample_visits import visit_tree

from service.errors import PreconditionFailed, RuleViolation
from service.operations.goal_attainment import compute
from service.operations.undo import undo
from service.operations.visit_signing import sign_visit
from service.records.preliminary import signature_status
from service.terminology.codes import codes

RECORD = "demo-01-visit-2"
DRAFT = {"state": "draft"}


@pytest.fixture
def desk(tmp_path):
    desk = Desk(tmp_path)
    desk.send(visit_tree("demo-01-evaluation-1"), visit_tree("demo-01-visit-1"))
    desk.put(
        {
            "resourceType": "Practitioner",
            "id": "student",
            "name": [{"text": "Robin Learnwell"}],
        }
    )
    yield desk
    asyncio.run(desk.store.close())


def staff(desk, number="slp-01"):
    (one,) = [one for one in desk.all("Practitioner") if "identifier" in one and number in values(one)]
    return f"Practitioner/{one['id']}"


def sign(desk, who, *, if_match=None, **given):
    visit = desk.part(RECORD)
    tag = if_match or f'W/"{visit["meta"]["versionId"]}"'
    by = {"principal": person(fhir_user=who), "context": CONTEXT, "codes": codes("all")}
    return asyncio.run(sign_visit(desk.store, visit["id"], if_match=tag, **given, **by))


def content(desk):
    """Everything the record became and what it settled, without ids, versions, narratives and signatures."""
    kept = {}
    for type_ in ("Observation", "Goal", "CarePlan", "ServiceRequest", "QuestionnaireResponse", "Flag"):
        for one in desk.all(type_):
            left = {key: value for key, value in one.items() if key not in ("id", "meta", "text")}
            kept[tuple(values(one))] = {key: value for key, value in left.items() if not _refers(value)}
    return kept


def _refers(value):
    return "reference" in str(value)


def answer(desk):
    (patient,) = desk.all("Patient")
    return asyncio.run(compute(desk.store, patient["id"], date(2026, 3, 1), zone=ZoneInfo("UTC")))


def test_a_signed_draft_is_as_a_record_that_came_signed(desk, tmp_path):
    review = {"goal": "closure", "lifecycle_status": "on-hold", "reason": "fever"}
    tree = visit_tree(RECORD) | {"goal_reviews": [review]}
    desk.send(tree | {"signature": DRAFT})
    done = sign(desk, staff(desk))
    assert signature_status(desk.part(RECORD)) == "final"
    other = Desk(tmp_path / "other")
    other.send(visit_tree("demo-01-evaluation-1"), visit_tree("demo-01-visit-1"), tree)
    assert content(desk) == content(other)
    assert desk.part("demo-01-visit-1/goals/closure")["lifecycleStatus"] == "on-hold"
    assert answer(desk).excluded == ()
    assert [one.day for one in answer(desk).visits] == [one.day for one in answer(other).visits]
    assert len(done.changed) > 20
    asyncio.run(other.store.close())


def test_a_student_s_signature_waits_for_another_person_with_a_licence(desk):
    desk.send(visit_tree(RECORD) | {"signature": DRAFT})
    first = sign(desk, "Practitioner/student", signer="student")
    assert [one.partition("/")[0] for one in first.changed] == ["Encounter"]
    assert answer(desk).excluded[0].reason == "co-signature needed"
    with pytest.raises(RuleViolation) as refusal:
        sign(desk, "Practitioner/student", signer="student")
    assert [issue.message for issue in refusal.value.issues] == [
        "A co-signature needs another person than the one who signed.",
        "Only somebody licensed co-signs.",
        "Give the number of your licence: only a licence lets co-sign.",
    ]
    done = sign(desk, staff(desk), licence="SLP-4711")
    assert answer(desk).excluded == ()
    told = {one["id"]: one for one in desk.all("Provenance")}[done.provenance.removeprefix("Provenance/")]
    roles = [agent["type"]["coding"][0]["code"] for agent in told["agent"]]
    assert roles == ["verifier", "legal"]
    assert {agent["who"]["reference"] for agent in told["agent"]} == {staff(desk)}


def test_an_amendment_is_signed_and_says_amended(desk):
    desk.send(visit_tree(RECORD) | {"signature": {"state": "signed", "signed_at": "2026-02-10T12:00-05:00"}})
    tree = visit_tree(RECORD) | {"signature": {"state": "amended", "reason": "hold time mistyped"}}
    tree["training"]["trials"][0]["hold_s"] = 2
    tree["function"]["weight_kg"] = 71.5
    desk.send(tree)
    assert answer(desk).excluded[0].reason == "amended, not signed"
    sign(desk, staff(desk))
    visit = desk.part(RECORD)
    assert (signature_status(visit), answer(desk).excluded) == ("amended", ())
    assert desk.part(f"{RECORD}/pre/1")["status"] == "amended"
    (weight,) = [one for one in desk.all("Observation") if one.get("valueQuantity", {}).get("value") == 71.5]
    assert weight["status"] == "final"
    assert desk.send(tree).changed == ()


def test_nobody_signs_twice_nor_over_another_s_version_nor_without_being_a_person_on_file(desk):
    desk.send(visit_tree(RECORD) | {"signature": DRAFT})
    with pytest.raises(PreconditionFailed):
        sign(desk, staff(desk), if_match='W/"7"')
    with pytest.raises(RuleViolation, match="names no Practitioner"):
        sign(desk, "")
    with pytest.raises(RuleViolation, match="'chief' is not one of licensed, student, assistant"):
        sign(desk, staff(desk), signer="chief")
    sign(desk, staff(desk))
    with pytest.raises(RuleViolation, match="waits for no signature"):
        sign(desk, staff(desk))


def test_a_signature_is_not_undone_and_the_record_no_draft_again(desk):
    desk.send(visit_tree(RECORD) | {"signature": DRAFT})
    done = sign(desk, staff(desk))
    by = {"principal": person(), "context": CONTEXT, "codes": codes("all")}
    with pytest.raises(RuleViolation, match="A signature is not taken back"):
        asyncio.run(undo(desk.store, done.provenance.removeprefix("Provenance/"), **by))
    with pytest.raises(RuleViolation, match="can't be a draft again"):
        desk.send(visit_tree(RECORD) | {"signature": DRAFT})
