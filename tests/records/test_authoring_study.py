"""The swallow study: report, boluses, findings."""

from decimal import Decimal

from sample_visits import bundle_of, component_of, parts_of, visit_tree


def study(**changes):
    tree = visit_tree("demo-01-evaluation-1")
    bolus = {
        "sequence": 1, "consistency": 0, "volume_ml": Decimal("5.0"), "airway_score": 7,
        "timing": ["before", "after"],
        "response": "cough ineffective", "residue_vallecula": "trace", "residue_pyriform": "mild",
        "manoeuvre": "supraglottic swallow", "effect": "better",
    }  # fmt: skip
    bolus |= changes.pop("bolus", {})
    tree["swallow_study"] = {**tree["swallow_study"], "boluses": [bolus], **changes}
    return tree, parts_of(bundle_of(tree))


def codes_in(observation, code):
    return [part["valueCodeableConcept"]["coding"][-1]["code"] for part in component_of(observation, code)]


def test_a_bolus_carries_score_timing_residue_and_manoeuvre():
    _, made = study()
    bolus = made["study/bolus/1"]
    assert component_of(bolus, "airway-invasion-8pt")[0]["valueInteger"] == 7
    assert codes_in(bolus, "entry-timing") == ["before", "after"]
    assert codes_in(bolus, "residue-pyriform") == ["mild"]
    assert codes_in(bolus, "manoeuvre") == ["supraglottic-swallow"]
    assert codes_in(bolus, "manoeuvre-effect") == ["better"]
    assert str(component_of(bolus, "bolus-volume")[0]["valueQuantity"]["value"]) == "5.0"
    level = component_of(bolus, "bolus-consistency")[0]["valueCodeableConcept"]
    assert [coding["code"] for coding in level["coding"]] == ["1231508001", "iddsi-0"]
    assert level["text"] == "Thin"


def test_a_score_that_could_not_be_given_is_absent_not_zero():
    _, made = study(bolus={"airway_score": "not rateable", "timing": [], "response": None})
    score = component_of(made["study/bolus/1"], "airway-invasion-8pt")[0]
    assert "valueInteger" not in score
    assert score["dataAbsentReason"]["coding"][0]["code"] == "error"


def test_easy_to_chew_is_not_called_regular_by_a_standard_code():
    _, made = study(bolus={"consistency": 7, "easy_to_chew": True, "volume_ml": None, "amount": "1 piece"})
    bolus = made["study/bolus/1"]
    assert codes_in(bolus, "bolus-consistency") == ["iddsi-7"]
    assert len(component_of(bolus, "bolus-consistency")[0]["valueCodeableConcept"]["coding"]) == 1
    assert component_of(bolus, "easy-to-chew")[0]["valueBoolean"] is True


def test_the_report_holds_every_finding_on_the_day_of_the_study():
    tree, made = study(secretion_rating=2, sensation="not tested", velar_function="normal")
    report = made["study"]
    day = tree["swallow_study"]["date"]
    assert len(report["result"]) == len([path for path in made if path.startswith("study/")]) - 1
    assert report["effectiveDateTime"] == day == made["study/bolus/1"]["effectiveDateTime"]
    assert made["study/secretions"]["valueInteger"] == 2
    assert made["study/laryngeal-sensation"]["dataAbsentReason"]["coding"][0]["code"] == "not-performed"
    assert made["study/procedure"]["performedDateTime"] == day
    assert "performedPeriod" not in made["study/procedure"]


def test_an_x_ray_study_is_imaging():
    _, made = study(method="videofluoroscopic")
    assert made["study"]["category"][0]["coding"][0]["code"] == "LP29684-5"
    assert made["study"]["code"]["coding"][0]["code"] == "86395-1"
    assert made["study/procedure"]["code"]["coding"][0]["code"] == "241149003"
    assert made["study/bolus/1"]["category"][0]["coding"][0]["code"] == "imaging"
