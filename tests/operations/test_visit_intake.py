"""Taking in visit records: once, again, corrected, at the same time, refused."""

import asyncio
from datetime import timedelta

import pytest
from intake_desk import NOW, RECORDS, Desk
from sample_visits import example_names, visit_tree

from service.errors import Conflict, RuleViolation
from service.fhir.json import dump, parse
from service.fhir.validation import errors
from service.records.reading import read_record
from service.records.shape import headline

FIRST, SECOND, THIRD = "demo-04-visit-1", "demo-04-visit-2", "demo-04-visit-3"


@pytest.fixture
def desk(tmp_path):
    desk = Desk(tmp_path)
    yield desk
    asyncio.run(desk.store.close())


@pytest.fixture
def one_visit(desk):
    desk.send(visit_tree(FIRST))
    return desk


def test_everything_of_a_first_visit_is_created(desk):
    receipt = desk.send(visit_tree(FIRST))
    assert receipt.updated == receipt.removed == ()
    assert len(receipt.created) > 40
    (patient,) = desk.all("Patient")
    assert patient["identifier"][0]["value"] == "demo-04"
    (encounter,) = desk.all("Encounter")
    assert encounter["subject"]["reference"] == f"Patient/{patient['id']}"
    assert f"Encounter/{encounter['id']}" in receipt.created


def test_what_is_stored_is_valid_and_whole(one_visit):
    for version in asyncio.run(_everything(one_visit)):
        assert errors(parse(version.content)) == ()


def test_no_reference_is_left_to_resolve(one_visit):
    versions = asyncio.run(_everything(one_visit))
    assert not [version.id for version in versions if b'"urn:uuid:' in version.content]


async def _everything(desk):
    return [version async for version in desk.store.changes()]


def test_the_same_record_again_writes_nothing(one_visit):
    before = one_visit.sequence()
    receipt = one_visit.send(visit_tree(FIRST))
    assert receipt.changed == ()
    assert len(receipt.unchanged) > 40
    assert one_visit.sequence() == before


@pytest.mark.conformance("L5")
def test_one_provenance_names_what_changed_by_whom_and_from_which_record(desk):
    receipt = desk.send(visit_tree(FIRST))
    (one,) = desk.all("Provenance")
    assert {target["reference"] for target in one["target"]} == set(receipt.created)
    assert one["agent"][0]["who"]["reference"] in receipt.created
    assert one["agent"][1]["who"]["display"] == "test client"
    assert one["entity"][0]["what"]["identifier"] == {"system": RECORDS, "value": FIRST}
    assert one["recorded"] == NOW.isoformat()


def test_a_correction_changes_only_what_changed(one_visit):
    tree = visit_tree(FIRST)
    tree["training"]["trials"][0]["observed"] = "not closed"
    receipt = one_visit.send(tree)
    assert receipt.created == receipt.removed == ()
    assert receipt.updated == (f"Observation/{one_visit.part(f'{FIRST}/pre/1')['id']}",)
    assert len(one_visit.all("Provenance")) == 2


def test_a_digit_more_is_a_correction(one_visit):
    tree = visit_tree(FIRST)
    weight = tree["function"]["weight_kg"]
    tree["function"]["weight_kg"] = type(weight)(f"{weight}0")
    receipt = one_visit.send(tree)
    assert receipt.updated == (f"Observation/{one_visit.part(f'{FIRST}/function/weight')['id']}",)


def test_the_same_record_with_another_time_is_a_correction(one_visit):
    tree = visit_tree(FIRST)
    moved = headline_start(tree) + timedelta(minutes=5)
    tree["visit"]["start"] = moved.isoformat()
    receipt = one_visit.send(tree)
    assert receipt.created == ()
    assert len(one_visit.all("Encounter")) == 1
    assert one_visit.part(FIRST)["period"]["start"] == moved.isoformat()
    other = visit_tree(FIRST) | {
        "record": {"system": RECORDS, "value": "another"},
        "goals": [],
        "home_plan": None,
    }
    assert one_visit.send(other).created


def headline_start(tree):
    return headline(read_record(dump(tree), "json"), zone=None).start


@pytest.mark.parametrize("system", [RECORDS, "https://other.example.org/visits"])
def test_another_record_for_the_same_patient_and_time_is_refused(one_visit, system):
    tree = visit_tree(FIRST) | {
        "record": {"system": system, "value": "another"},
        "goals": [],
        "home_plan": None,
    }
    before = one_visit.sequence()
    with pytest.raises(Conflict, match=r"^Two visits share 2026-08-03T.*; correct one of them\.$"):
        one_visit.send(tree)
    assert one_visit.sequence() == before


def test_a_record_does_not_wander_to_another_patient(one_visit):
    tree = visit_tree("demo-05-visit-1") | {"record": {"system": RECORDS, "value": FIRST}}
    with pytest.raises(Conflict, match="accepted for another patient"):
        one_visit.send(tree)
    assert len(one_visit.all("Patient")) == 1


@pytest.mark.parametrize("taken", ["clinician", "record"])
def test_a_number_may_be_used_for_patient_and_clinician_and_record(desk, taken):
    tree = visit_tree(FIRST)
    tree["patient"] = tree["record"] if taken == "record" else tree["visit"]["clinician"]["identifier"]
    desk.send(tree)
    (patient,) = desk.all("Patient")
    (encounter,) = desk.all("Encounter")
    assert encounter["subject"]["reference"] == f"Patient/{patient['id']}"
    assert encounter["participant"][0]["individual"]["reference"].startswith("Practitioner/")
    assert desk.send(tree).changed == ()


def test_a_removed_trial_is_an_error_and_leaves_its_block(one_visit):
    tree = visit_tree(FIRST)
    tree["training"]["trials"] = [trial for trial in tree["training"]["trials"] if trial["block"] != "post"]
    tree["training"]["post_block_not_done"] = "no time"
    block = one_visit.part(f"{FIRST}/post")
    receipt = one_visit.send(tree)
    assert len(receipt.removed) == 11
    assert f"Observation/{block['id']}" in receipt.removed
    removed = one_visit.part(f"{FIRST}/post/5")
    assert removed["status"] == "entered-in-error"
    assert "Entered in error" in removed["text"]["div"]
    assert {f"Observation/{removed['id']}"} <= set(receipt.removed)
    assert len(one_visit.part(f"{FIRST}/training")["hasMember"]) == 1


def test_a_removed_feedback_trial_leaves_the_members_of_its_block(desk):
    tree = visit_tree(FIRST)
    extra = [
        dict(tree["training"]["trials"][0], block="feedback", trial=number, feedback="replay")
        for number in (1, 2)
    ]
    for trial in extra:
        trial.pop("own_judgement", None)
    tree["training"]["trials"] += extra
    desk.send(tree)
    assert len(desk.part(f"{FIRST}/feedback")["hasMember"]) == 2
    tree["training"]["trials"].pop()
    receipt = desk.send(tree)
    gone = desk.part(f"{FIRST}/feedback/2")
    assert receipt.removed == (f"Observation/{gone['id']}",)
    assert len(desk.part(f"{FIRST}/feedback")["hasMember"]) == 1
    tree["training"]["trials"].append(extra[1])
    assert desk.send(tree).created == ()
    assert desk.part(f"{FIRST}/feedback/2")["status"] == "final"


def test_removed_parts_say_so_in_their_own_way(one_visit):
    tree = visit_tree(FIRST)
    tree["conditions"].append({"code": "cause not known", "onset": "unknown"})
    tree["visit"]["endoscopy"]["tolerance"] = [{"event": "gagging", "action": "waited"}]
    one_visit.send(tree)
    (event,) = one_visit.all("AdverseEvent")
    receipt = one_visit.send(visit_tree(FIRST))
    condition = one_visit.part(f"{FIRST}/conditions/2")
    assert condition["verificationStatus"]["coding"][0]["code"] == "entered-in-error"
    assert "clinicalStatus" not in condition
    assert one_visit.all("AdverseEvent") == []
    assert f"AdverseEvent/{event['id']}" in receipt.removed
    targets = [target["reference"] for one in one_visit.all("Provenance") for target in one["target"]]
    assert targets.count(f"AdverseEvent/{event['id']}") == 2


def test_the_same_adverse_event_again_is_not_doubled(desk):
    tree = visit_tree(FIRST)
    tree["visit"]["endoscopy"]["tolerance"] = [{"event": "gagging", "action": "waited"}]
    desk.send(tree)
    assert desk.send(tree).changed == ()
    assert len(desk.all("AdverseEvent")) == 1


def test_a_person_block_never_changes_the_patient_on_file(one_visit):
    tree = visit_tree(FIRST)
    tree["person"]["family"] = "Othername"
    receipt = one_visit.send(tree)
    assert receipt.changed == ()
    assert [warning.message for warning in receipt.warnings if "Patient." in warning.message] == [
        "Patient.name on file differs from the person given here; the Patient was not changed."
    ]
    assert one_visit.all("Patient")[0]["name"][0]["family"] == "Mockridge"


def test_an_unknown_patient_without_person_block_is_refused(desk):
    with pytest.raises(
        RuleViolation, match=r"was not found\. Create or link the patient before recording a visit"
    ):
        desk.send(visit_tree(SECOND))
    assert desk.sequence() == 0


def test_a_refused_record_leaves_nothing_behind(desk):
    tree = visit_tree(FIRST)
    tree["goals"][0]["due"] = "2020-01-01"
    with pytest.raises(RuleViolation):
        desk.send(tree)
    assert desk.sequence() == 0


def test_a_dry_run_answers_the_bundle_and_stores_nothing(desk):
    receipt = desk.send(visit_tree(FIRST), dry_run=True)
    assert receipt.bundle["type"] == "transaction"
    assert len(receipt.bundle["entry"]) == len(receipt.created)
    assert all(
        "?identifier=" in entry["request"]["url"]
        for entry in receipt.bundle["entry"]
        if entry["request"]["method"] == "PUT"
    )
    assert desk.sequence() == 0
    assert desk.send(visit_tree(FIRST)).bundle is None


def test_two_clients_posting_the_same_visit_at_once_make_one(desk):
    async def both():
        return await asyncio.gather(*(desk.accept(visit_tree(FIRST)) for _ in range(4)))

    receipts = asyncio.run(both())
    assert sorted(len(receipt.changed) > 0 for receipt in receipts) == [False, False, False, True]
    assert len(desk.all("Encounter")) == len(desk.all("Patient")) == len(desk.all("Provenance")) == 1


def test_two_records_of_one_time_at_once_make_one_and_a_conflict(desk):
    other = visit_tree(FIRST) | {"record": {"system": RECORDS, "value": "another"}}

    async def both():
        return await asyncio.gather(
            desk.accept(visit_tree(FIRST)), desk.accept(other), return_exceptions=True
        )

    outcomes = asyncio.run(both())
    assert [type(one).__name__ for one in outcomes if isinstance(one, Exception)] == ["Conflict"]
    assert len(desk.all("Encounter")) == 1


def test_every_example_is_taken_in_and_the_second_time_changes_nothing(desk):
    trees = sorted(map(visit_tree, example_names()), key=headline_start)
    for tree in trees:
        desk.send(tree)
    before = desk.sequence()
    for tree in trees:
        assert desk.send(tree).changed == (), tree["record"]["value"]
    assert desk.sequence() == before
