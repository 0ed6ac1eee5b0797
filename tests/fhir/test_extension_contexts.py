"""Where and when extensions may stand (structuredefinition.html, context and contextInvariant)."""

import json

import pytest
from r4_core import FOLDER
from written_profiles import ROOT, at, extension, known

from service.fhir.canonical import CANONICAL_ROOT
from service.fhir.validation import errors
from service.fhir.validation.extension_context import names_of
from service.fhir.validation.profiles import Definitions, check_extensions
from service.fhir.validation.requested import claim_issues

HL7 = "http://hl7.org/fhir/StructureDefinition/"

# extension -> its value, the item it stands in, and what makes the rule false
RULES = {
    "questionnaire-choiceOrientation": ({"valueCode": "vertical"}, {"type": "choice"}, {"type": "string"}),
    "questionnaire-unitValueSet": (
        {"valueCanonical": "http://example.org/units"},
        {"type": "quantity"},
        {"type": "decimal"},
    ),
    "questionnaire-sliderStepValue": ({"valueInteger": 2}, {"type": "integer"}, {"type": "decimal"}),
    "questionnaire-minOccurs": (
        {"valueInteger": 2},
        {"type": "string", "required": True, "repeats": True},
        {"type": "string", "repeats": True},
    ),
    "questionnaire-unit": (
        {"valueCoding": {"system": "http://unitsofmeasure.org", "code": "mL"}},
        {"type": "decimal"},
        {"type": "string"},
    ),
    "questionnaire-displayCategory": (
        {"valueCodeableConcept": {"text": "x"}},
        {"type": "string"},
        {"type": "display"},
    ),
    "questionnaire-referenceResource": ({"valueCode": "Patient"}, {"type": "reference"}, {"type": "string"}),
    "questionnaire-referenceFilter": ({"valueString": "a=b"}, {"type": "reference"}, {"type": "string"}),
    "questionnaire-fhirType": ({"valueString": "date"}, {"type": "date"}, {"type": "display"}),
    "questionnaire-unitOption": (
        {"valueCoding": {"system": "http://unitsofmeasure.org", "code": "mL"}},
        {"type": "quantity"},
        {"type": "integer"},
    ),
    "questionnaire-referenceProfile": (
        {"valueCanonical": "http://example.org/p"},
        {"type": "reference"},
        {"type": "string"},
    ),
    "questionnaire-maxOccurs": (
        {"valueInteger": 3},
        {"type": "string", "repeats": True},
        {"type": "string"},
    ),
}


def form(item, url, value):
    inner = {"linkId": "a.1", "text": "x", **item, "extension": [{"url": url, **value}]}
    group = {"linkId": "a", "type": "group", "item": [inner]}
    return {"resourceType": "Questionnaire", "status": "draft", "item": [group]}


def rules_of(tree):
    return [(one.place.expression, one.rule) for one in errors(tree) if one.code == "invariant"]


@pytest.mark.published("hl7.fhir.r4.core 4.0.1, contextInvariant")
@pytest.mark.parametrize("name", RULES)
def test_rules_of_when_an_extension_may_be_used(name):
    value, right, wrong = RULES[name]
    assert errors(form(right, HL7 + name, value)) == ()
    told = rules_of(form(wrong, HL7 + name, value))
    assert told == [("Questionnaire.item[0].item[0].extension[0]", HL7 + name)]


def test_a_list_changes_its_base_only_if_it_is_of_changes():
    tree = {
        "resourceType": "List",
        "status": "current",
        "mode": "changes",
        "extension": [{"url": f"{HL7}list-changeBase", "valueReference": {"reference": "List/1"}}],
    }
    assert errors(tree) == ()
    assert rules_of({**tree, "mode": "working"}) == [("List.extension[0]", f"{HL7}list-changeBase")]


@pytest.mark.conformance("E6")
@pytest.mark.published("hl7.fhir.r4.core 4.0.1, contextInvariant")
def test_every_published_rule_is_tried(tell):
    listed = {
        one["url"].removeprefix(HL7): one["contextInvariant"]
        for one in (json.loads(file.read_bytes()) for file in FOLDER.glob("StructureDefinition-*.json"))
        if "contextInvariant" in one
    }
    assert listed.keys() == {*RULES, "list-changeBase"}
    tell(f"{len(listed)} extensions with rules of when they may be used, each kept and broken")


def contexts(*expressions, type_="element", **more):
    named = [{"type": type_, "expression": one} for one in expressions]
    return extension("worn", at("Extension.value[x]", min=1, type=[{"code": "boolean"}])) | {
        "context": named,
        **more,
    }


WORN = {"url": f"{ROOT}worn", "valueBoolean": True}
TREE = {
    "resourceType": "Patient",
    "name": [{"given": ["a", "b"], "_given": [None, {"extension": [WORN]}]}],
    "birthDate": "1970-01-01",
}


@pytest.mark.conformance("E6")
@pytest.mark.parametrize(
    ("definition", "right"),
    [
        (contexts("HumanName.given"), True),
        (contexts("string"), True),
        (contexts("Element"), True),
        (contexts("Patient", "HumanName.given"), True),
        (contexts("Patient"), False),
        (contexts("HumanName.family"), False),
        (contexts("Patient.name.where(given.exists()).given", type_="fhirpath"), True),
        (contexts("Patient.name.family", type_="fhirpath"), False),
        (contexts("Patient.name.(", type_="fhirpath"), True),
        (contexts("Observation.component:bite"), True),
        (contexts("http://example.org/other", type_="extension"), False),
        (extension("worn"), True),
    ],
)
def test_where_an_extension_of_a_guide_may_stand(definition, right):
    found = check_extensions(TREE, known(definition))
    assert [one.path for one in found] == ([] if right else [".name[0].given[1].extension[0]"])


def test_an_extension_for_another_extension():
    outer = extension("outer", at("Extension.extension", min=0))
    inner = contexts(f"{ROOT}outer#part", type_="extension")
    part = {"url": "part", "extension": [WORN]}
    tree = {"resourceType": "Patient", "extension": [{"url": f"{ROOT}outer", "extension": [part]}]}
    assert check_extensions(tree, known(outer, inner)) == []
    tree["extension"][0]["extension"][0]["url"] = "other"
    (fault,) = check_extensions(tree, known(outer, inner))
    assert fault.path == ".extension[0].extension[0].extension[0]"


def test_rules_number_and_meaning_of_an_extension_of_a_guide():
    once = contexts("Patient", contextInvariant=["active = true"])
    once["differential"]["element"][0] = at("Extension", max="1")
    tree = {"resourceType": "Patient", "active": True, "extension": [WORN]}
    assert check_extensions(tree, known(once)) == []
    assert [one.code for one in check_extensions({**tree, "active": False}, known(once))] == ["invariant"]
    twice = check_extensions({**tree, "extension": [WORN, WORN]}, known(once))
    assert [(one.path, one.message) for one in twice] == [
        (".extension", f"The extension {ROOT}worn may be given 1 times at most.")
    ]
    (moved,) = check_extensions(
        {"resourceType": "Patient", "active": True, "modifierExtension": [WORN]}, known(once)
    )
    assert "does not change the meaning" in moved.message


@pytest.mark.conformance("E6")
def test_extensions_of_our_own_are_refused_elsewhere():
    url = f"{CANONICAL_ROOT}/StructureDefinition/exercise-hold"
    tree = {"resourceType": "Patient", "extension": [{"url": url, "valueQuantity": {"value": 3}}]}
    told = [one for one in claim_issues(tree, Definitions()) if one.rule == url]
    assert [one.place.expression for one in told] == ["Patient.extension[0]"]
    assert "only at: ServiceRequest" in told[0].message


def test_a_choice_is_named_with_and_without_its_type():
    names = names_of("Observation.valueQuantity", "Quantity")
    assert {"Observation.value[x]", "Observation.value", "Quantity", "Element"} <= names
