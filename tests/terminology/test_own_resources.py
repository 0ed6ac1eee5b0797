"""The terminology resources of our own: valid, complete, and in agreement with one another."""

import pytest

from service.fhir.code_systems import known_code, shipped_code_system
from service.fhir.composition import Composition
from service.fhir.json import reread
from service.fhir.terminology_files import OWN_TYPES, own
from service.fhir.validation import errors
from service.fhir.value_sets import SHIPPED, codes
from service.records import visit
from service.terminology.codes import EXERCISE, OBSERVATION, VALUE, slug

TREES = {f"{type_}/{id_}": reread(text) for type_ in OWN_TYPES for id_, text in own(type_).items()}
ROOT = "https://swallow-interop.example.org/fhir"


def of(type_):
    return [tree for name, tree in TREES.items() if name.startswith(f"{type_}/")]


@pytest.mark.parametrize("name", TREES)
def test_each_is_a_valid_resource_under_its_own_name(name):
    tree = TREES[name]
    assert errors(tree) == ()
    assert f"{tree['resourceType']}/{tree['id']}" == name
    if "url" in tree:
        assert tree["url"] == f"{ROOT}/{name}"
        assert tree["copyright"]


def test_every_code_of_a_value_set_is_known_to_its_system():
    count = 0
    for tree in of("ValueSet"):
        for system, code in Composition(SHIPPED).members(tree):
            assert known_code(system, code), (tree["id"], system, code)
            count += 1
    assert count > 500


def test_every_mapped_code_is_known_on_both_sides_and_shown_as_its_source_shows_it():
    for tree in of("ConceptMap"):
        for group in tree["group"]:
            source, target = (shipped_code_system(group[side]) for side in ("source", "target"))
            for element in group["element"]:
                assert source.concepts[element["code"]].display == element["display"]
                for one in element["target"]:
                    assert target.concepts[one["code"]].tree.get("display") == one.get("display")


def test_every_system_of_ours_has_its_whole_value_set_and_a_naming_system():
    for url in (OBSERVATION, VALUE, EXERCISE):
        system = shipped_code_system(url)
        assert codes(system.tree["valueSet"]) == set(system.concepts)
        assert system.tree["count"] == len(system.concepts)
        assert any(url == one["uniqueId"][0]["value"] for one in of("NamingSystem"))


def words(annotation, none=frozenset({"not asked", "not done", "not observable", "not tested"})):
    """The answers of a field of the visit record."""
    found = set()
    waiting = [annotation]
    while waiting:
        for one in getattr(waiting.pop(), "__args__", ()):
            if isinstance(one, str):
                found.add(one)
            else:
                waiting.append(one)
    return {slug(one) for one in found - none}


@pytest.mark.parametrize(
    ("model", "field", "value_set"),
    [
        (visit.Trial, "observed", "closure-result"),
        (visit.Trial, "own_judgement", "closure-self-judgement"),
        (visit.Trial, "block", "training-block"),
        (visit.Trial, "posture", "head-posture"),
        (visit.Trial, "jaw", "jaw-position"),
        (visit.Trial, "intended", "intended-outcome"),
        (visit.Trial, "level", "closure-level"),
        (visit.Trial, "effort", "effort"),
        (visit.Trial, "feedback", "feedback"),
        (visit.Trial, "reason", "reason-not-rated"),
        (visit.PlanLine, "effort", "exercise-effort"),
        (visit.PlanLine, "manoeuvre", "exercise"),
        (visit.PracticeDay, "used_at_meals", "used-at-meals"),
        (visit.Practice, "entered_by", "practice-log-author"),
        (visit.Bolus, "delivery", "bolus-delivery"),
        (visit.Bolus, "timing", "entry-timing"),
        (visit.Bolus, "response", "entry-response"),
        (visit.Bolus, "residue_vallecula", "residue"),
        (visit.Bolus, "residue_elsewhere", "residue-elsewhere"),
        (visit.Bolus, "manoeuvre", "bolus-manoeuvre"),
        (visit.Bolus, "effect", "manoeuvre-effect"),
        (visit.SwallowStudy, "sensation", "finding"),
        (visit.SwallowStudy, "view_quality", "view-quality"),
        (visit.Visit, "type", "visit-type"),
        (visit.Visit, "reason_for_ending", "reason-for-ending"),
        (visit.Practitioner, "role", "clinician-role"),
        (visit.Anaesthetic, "side", "side"),
        (visit.Clearance, "decision", "breath-hold-clearance"),
        (visit.Clearance, "effort_limit", "effort"),
        (visit.GoalTarget, "measure", "goal-measure"),
    ],
)
def test_a_value_set_has_the_answers_of_the_visit_record_and_no_others(model, field, value_set):
    assert codes(f"{ROOT}/ValueSet/{value_set}") == words(model.model_fields[field].annotation)
