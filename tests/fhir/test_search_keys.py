"""What a resource is filed under, value by value."""

from zoneinfo import ZoneInfo

import pytest

from service.fhir.datetimes import EARLIEST, LATEST, interval
from service.fhir.search_filing import CANONICAL, LARGEST
from service.fhir.search_keys import extract, fold, referred
from service.fhir.search_parameters import parameters
from service.fhir.search_values import (
    DateKey,
    QuantityKey,
    ReferenceKey,
    StringKey,
    TokenKey,
    UriKey,
)

UTC = ZoneInfo("UTC")
UCUM = "http://unitsofmeasure.org"


def keys(**members):
    return extract({"resourceType": "Observation", "id": "o", **members}, zone=UTC, base="http://here/fhir")


def test_a_resource_is_filed_under_each_of_its_values():
    found = keys(
        code={"coding": [{"system": "http://s", "code": "a"}, {"code": "b"}], "text": "Some Wörds"},
        status="final",
        identifier=[{"system": "urn:x", "value": "1"}],
        subject={"reference": "Patient/p"},
        performer=[
            {"reference": "http://here/fhir/Practitioner/d/_history/2"},
            {"reference": "http://there/x"},
        ],
        hasMember=[{"reference": "urn:uuid:1"}, {"reference": "#c"}, {"display": "none"}],
        effectivePeriod={"start": "2026-02-04"},
        meta={"profile": ["http://p|1"], "tag": [{"code": "t"}]},
    )
    assert found.patient == "p"
    assert TokenKey("Observation.code", "http://s", "a", text="|some words") in found.tokens
    assert TokenKey("Observation.code", "", "b", text="|some words") in found.tokens
    assert TokenKey("Observation.status", "http://hl7.org/fhir/observation-status", "final") in found.tokens
    assert TokenKey("Observation.identifier", "urn:x", "1", wide=True) in found.tokens
    assert TokenKey("Resource._tag", "", "t") in found.tokens
    assert found.references == (
        ReferenceKey("Observation.subject", "Patient/p"),
        ReferenceKey("Observation.performer", "Practitioner/d"),
        ReferenceKey("Observation.performer", "http://there/x"),
    )
    assert found.dates == (DateKey("Observation.date", interval("2026-02-04", UTC)[0], LATEST),)
    assert found.uris == (UriKey("Resource._profile", "http://p"), UriKey("Resource._profile", "http://p|1"))


def test_dates_of_each_kind():
    day = interval("2026-02-04", UTC)
    assert keys(effectiveDateTime="2026-02-04").dates == (DateKey("Observation.date", *day),)
    assert keys(effectivePeriod={"end": "2026-02-04"}).dates == (
        DateKey("Observation.date", EARLIEST, day[1]),
    )
    timing = {"event": ["2026-02-04", "2026-02-06"]}
    assert keys(effectiveTiming=timing).dates == (
        DateKey("Observation.date", day[0], interval("2026-02-06", UTC)[1]),
    )
    bounds = {"repeat": {"boundsPeriod": {"start": "2026-02-04", "end": "2026-02-04"}}}
    assert keys(effectiveTiming=bounds).dates == (DateKey("Observation.date", *day),)
    assert keys(effectivePeriod={"start": "2026-02-05", "end": "2026-02-04"}).dates == ()


def test_a_quantity_is_filed_as_sent_by_its_unit_and_in_base_units():
    found = keys(valueQuantity={"value": 5, "unit": "milligrams", "system": UCUM, "code": "mg"}).quantities
    assert found == (
        QuantityKey("Observation.value-quantity", UCUM, "mg", 5.0, 5.0),
        QuantityKey("Observation.value-quantity", "", "milligrams", 5.0, 5.0),
        QuantityKey("Observation.value-quantity", CANONICAL, "kilogram^1", 5e-6, 5e-6),
    )
    (below,) = keys(valueQuantity={"value": 5, "comparator": "<"}).quantities
    assert (below.low, below.high < 5, below.high > 4.99) == (-LARGEST, True, True)
    (sampled,) = keys(
        valueSampledData={"origin": {"value": 10}, "period": 1, "dimensions": 1, "data": "1 E -2 7"}
    ).quantities
    assert (sampled.low, sampled.high) == (8.0, 17.0)


def test_the_parts_of_a_component_are_numbered():
    component = [{"code": {"coding": [{"code": code}]}, "valueQuantity": {"value": 1}} for code in "ab"]
    found = keys(component=component)
    assert [(one.code, one.part) for one in found.tokens] == [("a", 1), ("b", 2)]
    assert [(one.name, one.part) for one in found.quantities] == [
        ("Observation.component-value-quantity", 1),
        ("Observation.component-value-quantity", 2),
    ]


def test_the_patient_is_the_only_one_there_is():
    assert extract({"resourceType": "Patient", "id": "p"}).patient == "p"
    targets = [{"reference": "Patient/a"}, {"reference": "Goal/g"}]
    assert extract({"resourceType": "Provenance", "target": targets}).patient == "a"
    both = [*targets, {"reference": "Patient/b"}]
    assert extract({"resourceType": "Provenance", "target": both}).patient == ""
    assert extract({"resourceType": "AdverseEvent", "subject": {"reference": "Patient/a"}}).patient == "a"
    assert extract({"resourceType": "Goal", "subject": {"reference": "Group/a"}}).patient == ""
    assert keys(subject={"reference": "Patient/a"}, performer=[{"reference": "Patient/b"}]).patient == ""
    assert keys(performer=[{"reference": "Patient/b"}]).patient == ""  # about whom, it does not say


def test_names_are_folded():
    name = {"family": "Müller  Løken", "given": ["Zoë", None], "text": "ignored in family"}
    found = extract({"resourceType": "Patient", "id": "p", "name": [name]})
    assert StringKey("Patient.family", "muller løken", "Müller  Løken") in found.strings
    assert StringKey("Patient.given", "zoe", "Zoë") in found.strings
    assert fold("STRASSE") == fold("straße")


@pytest.mark.parametrize(
    ("members", "token"),
    [
        ({}, "false"),
        ({"deceasedBoolean": False}, "false"),
        ({"deceasedBoolean": True}, "true"),
        ({"deceasedDateTime": "2026"}, "true"),
    ],
)
def test_whether_somebody_died_is_told_of_everybody(members, token):
    found = extract({"resourceType": "Patient", "id": "p", **members})
    assert TokenKey("Patient.deceased", "", token, wide=True) in found.tokens


def test_special_tokens():
    found = extract(
        {
            "resourceType": "Patient",
            "id": "p",
            "identifier": [{"type": {"coding": [{"system": "http://t", "code": "MR"}]}, "value": "1"}],
            "telecom": [
                {"system": "phone", "use": "home", "value": "555"},
                {"system": "email", "value": "e"},
            ],
        }
    ).tokens
    assert TokenKey("Patient.identifier:of-type", "http://t", "MR|1", wide=True) in found
    assert {one.code for one in found if one.name == "Patient.phone"} == {"555"}
    assert {one.code for one in found if one.name == "Patient.telecom"} == {"555", "e"}
    logical = keys(subject={"identifier": {"system": "urn:s", "value": "9"}}).tokens
    assert logical == (TokenKey("Observation.subject:identifier", "urn:s", "9"),)


def test_canonical_references_are_found_with_and_without_version():
    response = {"resourceType": "QuestionnaireResponse", "id": "r", "questionnaire": "http://q|2"}
    assert {one.target for one in extract(response).references} == {"http://q", "http://q|2"}
    assert referred(response, parameters("QuestionnaireResponse")["questionnaire"]) == ("http://q",)
