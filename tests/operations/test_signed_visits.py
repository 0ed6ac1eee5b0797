"""A visit's record from draft to co-signed and amended: what is stored and what counts."""

import asyncio
from datetime import date
from zoneinfo import ZoneInfo

import pytest
from intake_desk import CONTEXT, Desk, values
from sample_visits import visit_tree

from service.errors import RuleViolation
from service.fhir.json import parse
from service.fhir.validation import errors
from service.jobs.delivery_parcel import parcel_for
from service.jobs.destination import Destination
from service.operations.evaluate_measure import evaluate_measure
from service.operations.goal_attainment import compute
from service.records.preliminary import signature_status
from service.store import feeds
from service.terminology.codes import codes

DESTINATION = Destination("record", "fhir", "https://record.example.org/fhir")
RECORD = "demo-01-visit-2"
CLINICIAN = visit_tree(RECORD)["visit"]["clinician"]
STUDENT = {"identifier": CLINICIAN["identifier"] | {"value": "student-01"}, "name": "Robin Learnwell"}
SUPERVISOR = {"identifier": CLINICIAN["identifier"] | {"value": "slp-02"}, "name": "Alex Overseer"}
DRAFT = {"state": "draft"}
BY_STUDENT = {
    "state": "signed",
    "signed_by": STUDENT,
    "signer": "student",
    "signed_at": "2026-02-10T12:00-05:00",
}
CO_SIGNED = BY_STUDENT | {
    "state": "co-signed",
    "co_signed_by": SUPERVISOR,
    "co_signed_at": "2026-02-11T08:00-05:00",
    "co_signer_licence": "SLP-4711",
}
UNSIGNED = {"state": "amended", "reason": "hold time mistyped"}
AMENDED = (
    CO_SIGNED | UNSIGNED | {"signed_at": "2026-02-12T09:00-05:00", "co_signed_at": "2026-02-12T10:00-05:00"}
)


@pytest.fixture
def desk(tmp_path):
    desk = Desk(tmp_path)
    desk.send(visit_tree("demo-01-evaluation-1"), visit_tree("demo-01-visit-1"))
    yield desk
    asyncio.run(desk.store.close())


def signed(signature, name=RECORD, **more):
    tree = visit_tree(name) | more
    tree["visit"]["supervisor"] = SUPERVISOR
    return tree | {"signature": signature}


def answer(desk):
    (patient,) = desk.all("Patient")
    return asyncio.run(compute(desk.store, patient["id"], date(2026, 3, 1), zone=ZoneInfo("UTC")))


def own(desk, type_, name=RECORD):
    return [one for one in desk.all(type_) if any(value.startswith(name) for value in values(one))]


def statuses(desk, type_="Observation"):
    return {one["status"] for one in own(desk, type_)}


def encounter(desk):
    return desk.part(RECORD)


def test_a_draft_says_so_in_every_part_that_has_a_word_for_it(desk):
    desk.send(signed(DRAFT, "demo-01-visit-3"))
    (found,) = own(desk, "Encounter", "demo-01-visit-3")
    assert (signature_status(found), found["status"]) == ("preliminary", "finished")
    assert {one["status"] for one in own(desk, "Observation", "demo-01-visit-3")} == {"preliminary"}
    assert not [issue for one in desk.all("Observation") for issue in errors(one)]
    assert not errors(found)


def test_a_draft_counts_nowhere_and_is_listed_with_its_reason(desk):
    before = answer(desk)
    desk.send(signed(DRAFT))
    found = answer(desk)
    assert [one.day for one in found.visits] == [one.day for one in before.visits]
    assert found.goals[0].status == before.goals[0].status
    (excluded,) = found.excluded
    assert (excluded.day, excluded.reason) == (date(2026, 2, 10), "draft, not signed")
    assert len(excluded.evidence) > 20
    assert found.goals[0].readings[-1].why == "visit excluded: draft, not signed"


def test_a_students_record_waits_for_the_supervisor_and_then_counts(desk):
    desk.send(signed(BY_STUDENT))
    (excluded,) = answer(desk).excluded
    assert excluded.reason == "co-signature needed"
    assert statuses(desk) == {"preliminary"}
    desk.send(signed(CO_SIGNED))
    assert (answer(desk).excluded, statuses(desk)) == ((), {"final"})
    assert signature_status(encounter(desk)) == "final"


def test_signed_it_counts_as_one_that_came_without_a_signature(desk):
    desk.send(visit_tree(RECORD))
    plain = answer(desk)
    desk.send(signed(CO_SIGNED))
    assert answer(desk) == plain


def test_the_same_draft_again_writes_nothing(desk):
    desk.send(signed(DRAFT))
    assert desk.send(signed(DRAFT)).changed == ()


def test_a_draft_changes_nothing_of_other_records_until_it_is_signed(desk):
    goal = desk.part("demo-01-visit-1/goals/closure")
    review = {"goal": "closure", "lifecycle_status": "on-hold", "reason": "fever"}
    desk.send(signed(DRAFT, goal_reviews=[review]))
    assert desk.part("demo-01-visit-1/goals/closure") == goal
    desk.send(visit_tree("demo-01-visit-3"))
    assert desk.part("demo-01-visit-1/goals/closure")["lifecycleStatus"] == goal["lifecycleStatus"]
    desk.send(signed(CO_SIGNED, goal_reviews=[review]))
    assert desk.part("demo-01-visit-1/goals/closure")["lifecycleStatus"] == "on-hold"


def test_the_goals_and_plans_of_a_draft_are_proposals_and_become_what_they_are_when_signed(desk):
    first = visit_tree("demo-02-visit-1")
    people = dict.fromkeys(("signed_by",), first["visit"]["clinician"]["identifier"])
    assert people
    desk.send(first | {"signature": DRAFT})
    goals = own(desk, "Goal", "demo-02-visit-1")
    assert {one["lifecycleStatus"] for one in goals} == {"proposed"}
    assert {one["status"] for one in own(desk, "CarePlan", "demo-02-visit-1")} <= {"draft"}
    assert {one["status"] for one in own(desk, "QuestionnaireResponse", "demo-02-visit-1")} <= {"in-progress"}
    desk.send(first | {"signature": {"state": "signed", "signed_at": "2026-11-01T12:00-04:00"}})
    goals = own(desk, "Goal", "demo-02-visit-1")
    assert {one["lifecycleStatus"] for one in goals} == {"active"}
    assert {one["status"] for one in own(desk, "CarePlan", "demo-02-visit-1")} == {"active"}


def test_an_amendment_marks_what_it_changed_and_only_that(desk):
    desk.send(signed(CO_SIGNED))
    changed = signed(AMENDED)
    changed["training"]["trials"][0]["hold_s"] = 2
    receipt = desk.send(changed)
    assert desk.part(f"{RECORD}/pre/1")["status"] == "amended"
    assert statuses(desk) == {"final", "amended"}
    assert {one.partition("/")[0] for one in receipt.updated} <= {"Observation", "Encounter"}
    assert len(receipt.updated) < 5
    assert signature_status(encounter(desk)) == "amended"
    assert desk.send(changed).changed == ()


def test_what_an_amendment_adds_is_final(desk):
    desk.send(signed(CO_SIGNED))
    added = signed(AMENDED)
    added["function"]["weight_kg"] = 71.5
    desk.send(added)
    (weight,) = [one for one in own(desk, "Observation") if one.get("valueQuantity", {}).get("code") == "kg"]
    assert weight["status"] == "final"


def corrected(signature, **more):
    tree = signed(signature, **more)
    tree["training"]["trials"][0]["hold_s"] = 2
    return tree


def test_an_amendment_that_nobody_signed_waits_and_says_so_where_it_changed_something(desk):
    desk.send(signed(CO_SIGNED))
    before = {one["id"]: one for one in own(desk, "Observation")}
    tree = corrected(UNSIGNED)
    tree["function"]["weight_kg"] = 71.5
    receipt = desk.send(tree)
    waits = {one["id"]: one for one in own(desk, "Observation") if one["status"] == "preliminary"}
    assert {f"Observation/{id_}" for id_ in waits} <= {*receipt.updated, *receipt.created}
    assert desk.part(f"{RECORD}/pre/1")["id"] in waits
    assert len(waits) < 5
    left = [one for one in own(desk, "Observation") if one["id"] not in waits]
    assert left == [one for one in before.values() if one["id"] not in waits]
    (excluded,) = answer(desk).excluded
    assert excluded.reason == "amended, not signed"
    assert desk.send(tree).changed == ()


def weights(desk):
    return [one for one in own(desk, "Observation") if one.get("valueQuantity", {}).get("code") == "kg"]


@pytest.mark.parametrize("before", [(), (DRAFT,), (DRAFT, CO_SIGNED)])
def test_a_part_that_was_sent_twice_before_it_was_signed_was_not_amended(desk, before):
    """R4 observation-status: amended is what was final and is modified since."""
    for signature in before or (CO_SIGNED,):
        desk.send(signed(signature))
    tree = corrected(UNSIGNED if CO_SIGNED in before or not before else DRAFT)
    for weight in (71.5, 72.5):
        tree["function"]["weight_kg"] = weight
        desk.send(tree)
    (waiting,) = weights(desk)
    assert (waiting["status"], waiting["meta"]["versionId"]) == ("preliminary", "2")
    last = CO_SIGNED if before == (DRAFT,) else AMENDED
    desk.send(tree | {"signature": last})
    (weight,) = weights(desk)
    assert (weight["status"], weight["valueQuantity"]["value"]) == ("final", 72.5)
    assert desk.part(f"{RECORD}/pre/1")["status"] == ("final" if before == (DRAFT,) else "amended")


def test_signed_again_a_changed_part_says_amended_and_a_new_one_final(desk):
    desk.send(signed(CO_SIGNED))
    tree = corrected(UNSIGNED)
    tree["function"]["weight_kg"] = 71.5
    desk.send(tree)
    by_student = {name: AMENDED[name] for name in ("signed_by", "signer", "signed_at")}
    desk.send(tree | {"signature": UNSIGNED | by_student})
    assert answer(desk).excluded[0].reason == "co-signature needed"
    desk.send(tree | {"signature": AMENDED})
    assert (signature_status(encounter(desk)), answer(desk).excluded) == ("amended", ())
    assert desk.part(f"{RECORD}/pre/1")["status"] == "amended"
    (weight,) = [one for one in own(desk, "Observation") if one.get("valueQuantity", {}).get("code") == "kg"]
    assert weight["status"] == "final"
    assert desk.send(tree | {"signature": AMENDED}).changed == ()


@pytest.mark.parametrize(
    ("signature", "sentence"),
    [
        (CO_SIGNED | UNSIGNED, "so this signature is not one of the amendment"),
        (CO_SIGNED, "A signed record is changed by an amendment"),
    ],
)
@pytest.mark.parametrize("waits", [False, True])
def test_what_changes_a_signed_record_needs_a_newer_signature(desk, signature, sentence, waits):
    desk.send(signed(CO_SIGNED))
    if waits:
        desk.send(corrected(UNSIGNED))
        sentence = "Send it as 'amended'" if signature == CO_SIGNED else sentence
    before = desk.sequence()
    with pytest.raises(RuleViolation, match=sentence):
        desk.send(corrected(signature))
    assert desk.sequence() == before


def test_an_unsigned_amendment_that_changes_nothing_takes_no_signature_away(desk):
    desk.send(signed(CO_SIGNED))
    assert desk.send(signed(UNSIGNED)).changed == ()
    desk.send(corrected(AMENDED))
    assert desk.send(corrected(UNSIGNED)).changed == ()
    assert signature_status(encounter(desk)) == "amended"


def test_an_unsigned_amendment_changes_nothing_of_other_records(desk):
    review = {"goal": "closure", "lifecycle_status": "on-hold", "reason": "fever"}
    desk.send(signed(CO_SIGNED))
    goal = desk.part("demo-01-visit-1/goals/closure")
    desk.send(signed(UNSIGNED, goal_reviews=[review]))
    assert desk.part("demo-01-visit-1/goals/closure") == goal
    desk.send(signed(AMENDED, goal_reviews=[review]))
    assert desk.part("demo-01-visit-1/goals/closure")["lifecycleStatus"] == "on-hold"


def leaving(desk):
    """What a destination is to be told of the patient; told, it has it."""
    (patient,), newest = desk.all("Patient"), desk.sequence()

    async def told():
        name, id_ = DESTINATION.name, patient["id"]
        parcel = await parcel_for(desk.store, DESTINATION, id_)
        rows = [(one.version.type, one.version.id, one.version.version, "") for one in parcel.changes]
        await feeds.note(desk.store, name, {id_: feeds.Noted(newest, 0)})
        for held in await feeds.claim(desk.store, name, "worker", now=1, until=2, most=1):
            await feeds.keep(desk.store, name, id_, "worker", [feeds.Delivered(*row) for row in rows])
            await feeds.acknowledge(desk.store, name, held, "worker", 1)
        return [one.tree for one in parcel.changes]

    return asyncio.run(told())


def test_an_unsigned_amendment_leaves_with_its_signature_and_with_what_it_took_away(desk):
    whole = signed(CO_SIGNED)
    whole["function"]["weight_kg"] = 71.5
    desk.send(whole)
    (weight,) = [one for one in own(desk, "Observation") if one.get("valueQuantity", {}).get("code") == "kg"]
    assert len(leaving(desk)) > 20
    receipt = desk.send(corrected(UNSIGNED))
    assert receipt.removed == (f"Observation/{weight['id']}",)
    assert leaving(desk) == []
    desk.send(corrected(AMENDED))
    statuses = {one["id"]: one.get("status") for one in leaving(desk) if one["resourceType"] == "Observation"}
    assert statuses[weight["id"]] == "entered-in-error"
    assert statuses[desk.part(f"{RECORD}/pre/1")["id"]] == "amended"
    desk.send(corrected(AMENDED))
    assert leaving(desk) == []


@pytest.mark.parametrize("before", [CO_SIGNED, None])
def test_a_signed_record_is_no_draft_again(desk, before):
    desk.send(signed(before) if before else visit_tree(RECORD))
    with pytest.raises(RuleViolation, match="can't be a draft again"):
        desk.send(signed(DRAFT))


def test_the_provenance_names_author_verifier_and_who_answers_for_it_in_law(desk):
    desk.send(signed(BY_STUDENT))
    desk.send(signed(CO_SIGNED))
    people = {values(one)[0]: f"Practitioner/{one['id']}" for one in desk.all("Practitioner")}
    told = [
        {
            (agent["type"]["coding"][0]["code"], agent["who"].get("reference"))
            for agent in one["agent"]
            if "reference" in agent["who"]
        }
        for one in desk.all("Provenance")
    ]
    assert {("author", people["student-01"])} in told
    co_signed = {
        ("author", people["student-01"]),
        ("verifier", people["slp-02"]),
        ("legal", people["slp-02"]),
    }
    assert co_signed in told


def panel(desk):
    """What a panel counts of the year."""
    year = {"periodStart": ["2026"], "periodEnd": ["2026"]}
    asked = {"seconds": 600, "context": CONTEXT, "codes": codes("all")}
    return parse(asyncio.run(evaluate_measure(desk.store, "goal-attainment", year, **asked)))["group"]


def test_a_panel_counts_a_visit_while_it_is_signed_and_not_while_it_waits(desk):
    without = panel(desk)
    desk.send(signed(DRAFT))
    assert panel(desk) == without
    desk.send(signed(BY_STUDENT))
    assert panel(desk) == without
    desk.send(signed(CO_SIGNED))
    whole = panel(desk)
    assert whole != without
    desk.send(corrected(UNSIGNED))
    assert panel(desk) == without
    desk.send(corrected(AMENDED))
    assert panel(desk) == whole, "the amendment changed nothing that is counted"


def test_a_red_flag_of_a_draft_still_warns(desk):
    flags = visit_tree(RECORD)["red_flags"] | {"fever": "yes"}
    tree = signed(DRAFT, red_flags=flags)
    desk.send(tree)
    assert any("fever" in cue.sentence for cue in answer(desk).cues)
