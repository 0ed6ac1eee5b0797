from pathlib import Path

import pytest

from service.errors import Place, Severity
from service.fhir.json import parse
from service.fhir.validation import check, errors

GOOD = '{"resourceType":"Observation","status":"final","code":{"text":"closure"}'


def places(text):
    return [(issue.place.expression, issue.message) for issue in check(parse(text))]


def test_a_good_resource_has_no_issue():
    tree = parse(GOOD + ',"valueQuantity":{"value":72.50},"effectiveDateTime":"2026-02"}')
    assert errors(tree) == ()
    assert [(issue.rule, issue.severity) for issue in check(tree)] == [("dom-6", Severity.WARNING)]


@pytest.mark.parametrize(
    ("member", "place", "words"),
    [
        ('"valueBoolean":"true"', "Observation.value", "true or false"),
        ('"valueInteger":1.0', "Observation.value", "whole number"),
        ('"valueQuantity":{"value":"1.5"}', "Observation.value.value", "a number"),
        ('"note":[]', "Observation.note", "must not be empty"),
        ('"note":[null]', "Observation.note[0]", "null is not allowed"),
        ('"method":{}', "Observation.method", "must not be empty"),
        ('"issued":""', "Observation.issued", "must not be empty"),
        ('"method":null', "Observation.method", "null is not allowed"),
        ('"valueString":"a","valueInteger":1', "Observation", "Only one of these may be given: valueBoolean"),
        ('"component":[{"valueString":"a"}]', "Observation.component[0]", "element code is required"),
        ('"bodySitee":{"text":"x"}', "Observation", "no element 'bodySitee'"),
        ('"category":{"text":"x"}', "Observation.category", "JSON array"),
        ('"subject":{"reference":3}', "Observation.subject.reference", "JSON string"),
        ('"subject":"Patient/1"', "Observation.subject", "JSON object"),
        ('"subject":"{\\"reference\\":\\"Patient/1\\"}"', "Observation.subject", "JSON object"),
        ('"effectiveDateTime":"2020-13-01"', "Observation.effective", ""),
        (
            '"contained":[{"resourceType":"Zork"}]',
            "Observation.contained[0]",
            "not a resource type",
        ),
        (
            '"contained":[{"resourceType":"Patient","bla":1}]',
            "Observation.contained[0]",
            "no element 'bla'",
        ),
        ('"contained":[1]', "Observation.contained[0]", "JSON object"),
        ('"id":"a_b"', "Observation.id", "1 to 64"),
        (f'"id":"{"x" * 65}"', "Observation.id", "1 to 64"),
        ('"contained":[{"resourceType":"Patient","id":"a_b"}]', "Observation.contained[0].id", "1 to 64"),
    ],
)
def test_each_fault_is_named_at_its_place(member, place, words):
    found = places(f"{GOOD},{member}}}")
    assert any(where == place and words in message for where, message in found), found


def test_every_fault_is_found_at_once():
    text = '{"resourceType":"Observation","code":{"coding":[{"foo":1}]},"valueBoolean":"x","note":[]}'
    assert {place for place, _ in places(text)} >= {
        "Observation.code.coding[0]",
        "Observation.value",
        "Observation.note",
    }


@pytest.mark.parametrize(
    "type_", ["Nope", "observation", "Resource", "DomainResource", "Quantity", "", "Element"]
)
def test_what_is_not_a_resource_type_is_named(type_):
    (issue,) = check({"resourceType": type_})
    assert issue.place == Place(path="resourceType")
    assert f"'{type_}' is not a resource type" in issue.message


@pytest.mark.parametrize("tree", [{}, {"resourceType": 3}, {"resourceType": None}])
def test_a_resource_without_type_is_refused(tree):
    assert "needs its resourceType" in check(tree)[0].message


def test_a_resource_inside_a_bundle_is_placed_there():
    (issue,) = errors({"resourceType": "Observation", "status": "final"}, at="Bundle.entry[3].resource")
    assert issue.place.expression == "Bundle.entry[3].resource"


def test_no_library_addresses_in_the_messages():
    text = " ".join(message for _, message in places('{"resourceType":"Patient","birthDate":1990,"name":3}'))
    assert "pydantic" not in text
    assert "http" not in text


def test_only_one_file_knows_the_library():
    service = Path(__file__).parents[2] / "service"
    knowing = [path for path in service.rglob("*.py") if "from fhir.resources" in path.read_text()]
    assert [path.name for path in knowing] == ["second_opinion.py"]


def displayed(code, display, system="http://terminology.hl7.org/CodeSystem/v3-MaritalStatus", **more):
    coding = {"system": system, "code": code, "display": display}
    return [
        (issue.place.expression, issue.severity, issue.message)
        for issue in check({"resourceType": "Patient", "maritalStatus": {"coding": [coding]}, **more})
        if "display" in issue.message
    ]


def test_a_wrong_display_of_a_known_code_is_a_warning():
    (told,) = displayed("M", "Widowed")
    assert told == (
        "Patient.maritalStatus.coding[0].display",
        Severity.WARNING,
        "The display of this code is 'Married' in its code system.",
    )
    assert displayed("M", "Widowed", language="en-GB") == [told]


@pytest.mark.parametrize(
    ("code", "display", "more"),
    [
        ("M", "Married", {}),
        ("M", " married", {}),
        ("M", "Verheiratet", {"language": "de"}),
        ("24484000", "Schwer", {"system": "http://snomed.info/sct"}),
        ("8867-4", "Pulse", {"system": "http://loinc.org"}),
        ("M", "x", {"system": "http://example.org/own"}),
    ],
)
def test_other_displays_are_left_be(code, display, more):
    assert displayed(code, display, **more) == []
