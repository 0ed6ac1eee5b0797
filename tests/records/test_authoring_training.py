"""Trials, judgements and blocks."""

from decimal import Decimal

import pytest
from sample_visits import bundle_of, component_of, parts_of, visit_tree


def trial(**changes):
    return {
        "block": "pre", "trial": 1, "posture": "chin down", "observed": "closed", "own_judgement": "closed",
        "effort": "light", "hold_s": Decimal("4.50"), **changes,
    }  # fmt: skip


def parts(*trials, **training):
    tree = visit_tree("demo-01-visit-2")
    tree["training"] = {"trials": list(trials), **training}
    return parts_of(bundle_of(tree))


def code(element):
    return element["valueCodeableConcept"]["coding"][-1]["code"]


def test_a_trial_says_what_was_seen_and_under_which_conditions():
    seen = parts(trial(effort_rating=3))["pre/1"]
    assert [coding["code"] for coding in seen["code"]["coding"]] == ["30976009", "trial-closure"]
    assert code(seen) == "closed"
    assert {category["coding"][0]["code"] for category in seen["category"]} == {"therapy", "b510"}
    assert code(*component_of(seen, "posture")) == "chin-down"
    assert code(*component_of(seen, "training-block")) == "pre"
    assert component_of(seen, "trial-number")[0]["valueInteger"] == 1
    hold = component_of(seen, "hold-duration")[0]["valueQuantity"]
    assert (str(hold["value"]), hold["code"]) == ("4.50", "s")
    assert seen["effectiveDateTime"].startswith("2026-02-10T")
    assert seen["meta"]["profile"] == [
        "http://hl7.org/fhir/us/pacio-pfe/StructureDefinition/pfe-observation-clinicaltest",
        "https://swallow-interop.example.org/fhir/StructureDefinition/trial",
    ]


@pytest.mark.parametrize(("observed", "reason"), [("not observable", "error"), ("not done", "not-performed")])
def test_an_unrated_trial_says_why(observed, reason):
    seen = parts(trial(observed=observed, reason="view lost", hold_s=None))["pre/1"]
    assert "valueCodeableConcept" not in seen
    assert seen["dataAbsentReason"]["coding"][0]["code"] == reason
    assert code(*component_of(seen, "reason-not-rated")) == "view-lost"


def test_the_patients_judgement_is_the_patients_own():
    made = parts(trial(own_judgement="unsure", effort_rating=3))
    said = made["pre/1/judgement"]
    assert code(said) == "unsure"
    assert said["performer"] == [said["subject"]]
    assert said["method"]["coding"][0]["code"] == "self-reported"
    assert component_of(said, "judged-before-result")[0]["valueBoolean"] is True
    assert component_of(said, "82289-0")[0]["valueInteger"] == 3
    assert len(said["focus"]) == 1
    assert "performer" in made["pre/1"]
    assert made["pre/1"]["performer"] != said["performer"]


def test_a_judgement_not_asked_is_a_reason_not_a_value():
    said = parts(trial(own_judgement="not asked"))["pre/1/judgement"]
    assert said["dataAbsentReason"]["coding"][0]["code"] == "not-asked"
    assert component_of(said, "judged-before-result") == []


def test_outside_probe_blocks_nothing_is_assumed_about_when_the_patient_was_asked():
    said = parts(trial(block="feedback", feedback="live image"))["feedback/1/judgement"]
    assert component_of(said, "judged-before-result") == []
    assert "feedback/1/judgement" not in parts(trial(block="feedback", feedback="none", own_judgement=None))


def test_a_block_holds_its_trials_and_judgements_in_order():
    made = parts(trial(), trial(trial=2, own_judgement="not asked"), trial(block="post"), protocol="standard")
    assert len(made["pre"]["hasMember"]) == 4
    assert len(made["post"]["hasMember"]) == 2
    assert len(made["training"]["hasMember"]) == 2
    assert component_of(made["pre"], "protocol")[0]["valueString"] == "standard"


def test_a_second_rater_is_a_second_performer():
    other = {"identifier": {"system": "https://clinic.example.org/staff", "value": "slp-77"}, "name": "Test"}
    assert len(parts(trial(second_rater=other))["pre/1"]["performer"]) == 2


def test_a_stopped_endoscopy_stops_the_procedure_and_keeps_the_reason():
    made = parts_of(bundle_of(visit_tree("demo-04-visit-5")))
    assert made["procedure"]["status"] == "stopped"
    assert made["procedure"]["statusReason"]["text"].startswith("fever and a wet voice")
    assert component_of(made["training"], "post-block-not-done")


def test_a_cue_level_is_no_severity():
    seen = parts(trial(block="faded", feedback="none", cue="moderate"))["faded/1"]
    coding = component_of(seen, "cue-level")[0]["valueCodeableConcept"]["coding"]
    assert [one["code"] for one in coding] == ["moderate-cues"]
