"""Parts of a resource."""

import json

import pytest
from r4_examples import example_files

from service.fhir.elements import elements
from service.fhir.json import parse, reread
from service.fhir.summary import Subset, is_subset, part, subset_of

TAG = {
    "system": "http://terminology.hl7.org/CodeSystem/v3-ObservationValue",
    "code": "SUBSETTED",
    "display": "subsetted",
}
PATIENT = {
    "resourceType": "Patient",
    "id": "p",
    "meta": {"versionId": "1", "tag": [{"code": "x"}]},
    "text": {"status": "generated", "div": "<div/>"},
    "contained": [{"resourceType": "Organization", "id": "o"}],
    "active": True,
    "_active": {"id": "a"},
    "name": [{"family": "Probe", "extension": [{"url": "urn:x", "valueCode": "y"}]}],
    "maritalStatus": {"text": "M"},
    "multipleBirthInteger": 2,
}
WEIGHT = (
    b'{"resourceType":"Observation","id":"w","status":"final","code":{"text":"w"},'
    b'"valueQuantity":{"value":72.50},"note":[{"text":"n"}]}'
)


def names(content):
    return [name for name in reread(content) if name not in {"resourceType", "id", "meta"}]


def of(tree, **query):
    return part(json.dumps(tree).encode(), subset_of(query.get("summary", ""), query.get("elements", "")))


def test_the_whole_is_the_very_text():
    assert part(WEIGHT, Subset()) is WEIGHT
    assert part(WEIGHT, subset_of("false", "")) is WEIGHT


@pytest.mark.published("FHIR R4 search.html, Summary")
def test_modes():
    assert names(of(PATIENT, summary="true")) == ["active", "_active", "name"]
    assert names(of(PATIENT, summary="text")) == ["text", "active", "_active"]
    assert "text" not in names(of(PATIENT, summary="data"))
    assert len(names(of(PATIENT, summary="data"))) == 6
    assert names(part(WEIGHT, subset_of("text", ""))) == ["status", "code"], "mandatory elements stay"


def test_a_summary_goes_on_inside():
    assert reread(of(PATIENT, summary="true"))["name"] == [{"family": "Probe"}]
    assert reread(of(PATIENT, summary="data"))["name"] == PATIENT["name"]


@pytest.mark.published("FHIR R4 search.html, Elements: mandatory elements are always there")
@pytest.mark.parametrize(
    "asked", ["value", "valueQuantity", "value[x]", "Observation.value", "value, nonsense"]
)
def test_elements(asked):
    found = part(WEIGHT, subset_of("", asked))
    assert names(found) == ["status", "code", "valueQuantity"]
    assert b"72.50" in found


def test_a_part_says_that_it_is_one():
    tree = reread(of(PATIENT, elements="name"))
    assert tree["meta"] == {"versionId": "1", "tag": [{"code": "x"}, TAG]}
    assert is_subset(tree)
    assert not is_subset(PATIENT)


@pytest.mark.parametrize(
    ("summary", "elements", "sentence"),
    [
        ("count", "", "_summary must be one of true, text, data, false"),
        ("", ",", "at least one"),
        ("true", "name", "can't be used together"),
    ],
)
def test_what_cannot_be_used_is_refused(summary, elements, sentence):
    with pytest.raises(ValueError, match=sentence):
        subset_of(summary, elements)


@pytest.mark.published("hl7.fhir.r4.examples 4.0.1")
@pytest.mark.parametrize(
    "type_", ["Patient", "Observation", "CarePlan", "Questionnaire", "CapabilityStatement"]
)
def test_summaries_of_the_official_examples_hold_summary_elements_alone(type_):
    for file in example_files(type_):
        tree = parse(part(json.dumps(json.loads(file.read_bytes())).encode(), subset_of("true", "")))
        for name in set(tree) - {"resourceType"}:
            element = elements(type_)[name.removeprefix("_")]
            assert element.summary or element.modifier, (file.name, name)
