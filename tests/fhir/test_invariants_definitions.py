"""The shipped rules are the published ones, and each has its function."""

import json
import lzma

import pytest
from r4_core import FOLDER

from service.errors import Severity
from service.fhir.elements import elements
from service.fhir.validation import invariants as module
from service.fhir.validation.invariants import invariants
from tools.definitions_invariants import invariant_tables, packed

SOURCE = "hl7.fhir.r4.core 4.0.1"


@pytest.mark.published(SOURCE)
def test_the_shipped_rules_are_those_a_build_makes():
    built = invariant_tables(FOLDER)
    assert lzma.decompress(module._FILE.read_bytes()) == lzma.decompress(packed(built))


@pytest.mark.published(SOURCE)
def test_every_published_rule_has_a_function(tell):
    tables = module._tables()
    assert module._RULES.keys() == tables["rules"].keys() - module._NARRATIVE
    for path in tables["at"]:
        assert all(callable(rule.holds) for rule in invariants(path)), path
    keys = {name.partition(" ")[0] for name in module._RULES}
    tell(f"invariants: {len(keys)} published keys have a function, at {len(tables['at'])} types and elements")


@pytest.mark.published(SOURCE)
def test_every_constraint_of_every_base_snapshot_is_found_at_its_place():
    for file in FOLDER.glob("StructureDefinition-*.json"):
        definition = json.loads(file.read_bytes())
        if definition.get("derivation") == "constraint" or definition["kind"] not in {
            "resource",
            "complex-type",
        }:
            continue
        for element in definition["snapshot"]["element"]:
            path = element["path"].replace("probability[x]", "probabilityRange")
            types = [path, *(one["code"] for one in element.get("type", ()))]
            found = (
                {rule.key for type_ in types for rule in invariants(type_)} | {"ele-1"} | module._NARRATIVE
            )
            assert {one["key"] for one in element.get("constraint", ())} <= found, path


def test_a_rule_says_what_it_is():
    rule = next(one for one in invariants("Observation") if one.key == "obs-6")
    assert rule.severity is Severity.ERROR
    assert rule.human == "dataAbsentReason SHALL only be present if Observation.value[x] is not present"
    assert rule.holds({"valueString": "x"}, {}, {})
    assert not rule.holds({"valueString": "x", "dataAbsentReason": {"text": "x"}}, {}, {})
    assert {one.severity for one in invariants("Patient") if one.key == "dom-6"} == {Severity.WARNING}


def test_rules_stand_at_types_parts_and_elements():
    def keys(path):
        return {one.key for one in invariants(path)}

    assert keys("Quantity") == {"ele-1", "qty-3"}
    assert keys("Age") == {"ele-1", "age-1", "qty-3"}
    assert keys("Observation.referenceRange") == {"ele-1", "obs-3"}
    assert keys("Dosage.doseAndRate.doseQuantity") == {"sqty-1"}
    assert keys("Organization.address") == {"org-2"}
    assert keys("Narrative.div") == set()
    assert keys("Nothing") == set()
    assert elements("Questionnaire.item")["item"].type == "Questionnaire.item"
