import random
from datetime import date

import planted

from service.deidentify.people import NOT_VALID, Hidden, deidentify_person
from service.deidentify.policy import Deidentifier
from service.deidentify.pseudonyms import Pseudonyms
from service.fhir.canonical import extension
from service.jobs.research_policies import policy_document

DEIDENTIFY = {
    name: Deidentifier(policy_document(name), vocabulary=planted.VOCABULARY, restricted_zip3=["036"])
    for name in ("safe-harbor", "safe-harbor-days")
}
DAY = date(2026, 9, 20)
DYSPHAGIA = {"coding": [{"system": "http://snomed.info/sct", "code": "40739000"}]}


def observation(id_, *members, **more):
    return {
        "resourceType": "Observation",
        "id": id_,
        "status": "final",
        "code": DYSPHAGIA,
        "subject": {"reference": "Patient/p"},
        "hasMember": [{"reference": f"Observation/{member}"} for member in members],
        **more,
    }


def together(*others, valid=lambda _: True, patient=None, variant="safe-harbor"):
    names = Pseudonyms({}, random.Random(1).getrandbits)  # noqa: S311 - chance that can be repeated
    stored = [patient or {"resourceType": "Patient", "id": "p"}, *others]
    return deidentify_person(stored, DEIDENTIFY[variant], day=DAY, hidden=Hidden(names, {}, 0), valid=valid)


def test_the_patient_comes_first_and_references_meet():
    released, held_back = together(observation("a"), observation("b", "a"))
    assert [item["resourceType"] for item in released] == ["Patient", "Observation", "Observation"]
    assert released[2]["hasMember"] == [{"reference": f"Observation/{released[1]['id']}"}]
    assert released[2]["subject"] == {"reference": f"Patient/{released[0]['id']}"}
    assert not held_back


def test_nothing_points_at_what_is_held_back():
    released, held_back = together(observation("a", status="entered-in-error"), observation("b", "a"))
    assert len(released) == 2
    assert "hasMember" not in released[1]
    assert held_back == {"Observation: an element it can't do without may not be shown": 1}


def test_what_is_not_valid_any_more_is_held_back():
    released, held_back = together(observation("a"), valid=lambda item: item["resourceType"] == "Patient")
    assert len(released) == 1
    assert held_back == {f"Observation: {NOT_VALID}": 1}


def test_without_the_patient_nothing_leaves():
    rules = {"resourceType": "Patient", "id": "p", "implicitRules": "http://example.org/rules"}
    released, held_back = together(observation("a"), patient=rules)
    assert released == []
    assert held_back == {"Patient: it follows implicit rules that would be lost": 1}


def visit(id_, start, **more):
    kind = {"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "AMB"}
    return {
        "resourceType": "Encounter",
        "id": id_,
        "status": "finished",
        "class": kind,
        "subject": {"reference": "Patient/p"},
        "period": {"start": start},
        **more,
    }


def test_days_are_counted_from_the_first_visit_that_leaves():
    released, _ = together(
        visit("b", "2026-03-24T08:00:00Z"),
        visit("a", "2026-02-03T09:00:00-05:00"),
        visit("wrong", "2025-01-01", status="entered-in-error"),
        visit("unknown", "2026"),
        variant="safe-harbor-days",
    )
    [said] = released[0]["extension"]
    assert said == {"url": extension("first-visit-year"), "valueDate": "2026"}
    days = [one["period"]["_start"]["extension"][0]["valueInteger"] for one in released if "period" in one]
    assert days == [49, 0]
