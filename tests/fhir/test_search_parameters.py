"""The table of search parameters against the published ones, and what a resource is filed under."""

import re
from zoneinfo import ZoneInfo

import pytest
from r4_examples import FOLDER, example_files

from service.fhir.datetimes import EARLIEST, LATEST, interval
from service.fhir.json import parse
from service.fhir.search_keys import extract, fold
from service.fhir.search_parameters import (
    DateKey,
    ReferenceKey,
    StringKey,
    TokenKey,
    compartment,
    parameters,
    stored_types,
)

UTC = ZoneInfo("UTC")
OWN = {
    ("AdverseEvent", "identifier"),  # R4 gives the element but no parameter; needed to match it again
}


@pytest.fixture(scope="module")
def published():
    """(type, name) to the published SearchParameter."""
    assert FOLDER.is_dir(), "run: make .cache/r4-examples"
    (file,) = (file for file in example_files("Bundle") if file.name == "Bundle-searchParams.json")
    entries = parse(file.read_bytes())["entry"]
    return {
        (base, entry["resource"]["code"]): entry["resource"]
        for entry in entries
        for base in entry["resource"]["base"]
    }


def _element(path):
    """The path without the type a choice element carries in JSON."""
    return re.sub(r"(DateTime|Period|Instant|Timing|CodeableConcept|(?<=start)Date|(?<=due)Date)$", "", path)


@pytest.mark.published("hl7.fhir.r4.examples 4.0.1, Bundle searchParams")
@pytest.mark.parametrize("type_", stored_types())
def test_each_parameter_is_one_of_the_standard(published, type_):
    for name, parameter in parameters(type_).items():
        if name.startswith("_") or (type_, name) in OWN:
            continue
        official = published[type_, name]
        assert official["type"] == parameter.kind, name
        assert set(parameter.targets) <= set(official.get("target", parameter.targets)), name
        for path in parameter.paths:
            assert f"{type_}.{_element(path)}" in official["expression"], (name, path)


@pytest.mark.published("hl7.fhir.r4.examples 4.0.1, Bundle searchParams")
def test_own_parameters_are_not_in_the_standard(published):
    assert not OWN & published.keys()


def keys(**members):
    return extract({"resourceType": "Observation", "id": "o", **members}, zone=UTC, base="http://here/fhir")


def test_a_resource_is_filed_under_each_of_its_values():
    found = keys(
        code={"coding": [{"system": "http://s", "code": "a"}, {"code": "b"}], "text": "words"},
        status="final",
        identifier=[{"system": "urn:x", "value": "1"}],
        subject={"reference": "Patient/p"},
        performer=[
            {"reference": "http://here/fhir/Practitioner/d/_history/2"},
            {"reference": "http://there/x"},
        ],
        hasMember=[{"reference": "urn:uuid:1"}, {"reference": "#c"}, {"display": "none"}],
        effectivePeriod={"start": "2026-02-04"},
    )
    assert found.patient == "p"
    assert TokenKey("Observation.code", "http://s", "a") in found.tokens
    assert TokenKey("Observation.code", "", "b") in found.tokens
    assert TokenKey("Observation.status", "http://hl7.org/fhir/observation-status", "final") in found.tokens
    assert TokenKey("Observation.identifier", "urn:x", "1", wide=True) in found.tokens
    assert found.references == (
        ReferenceKey("Observation.subject", "Patient/p"),
        ReferenceKey("Observation.performer", "Practitioner/d"),
        ReferenceKey("Observation.performer", "http://there/x"),
    )
    assert found.dates == (DateKey("Observation.date", interval("2026-02-04", UTC)[0], LATEST),)


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


def test_the_patient_is_the_only_one_there_is():
    assert extract({"resourceType": "Patient", "id": "p"}).patient == "p"
    targets = [{"reference": "Patient/a"}, {"reference": "Goal/g"}]
    assert extract({"resourceType": "Provenance", "target": targets}).patient == "a"
    assert (
        extract({"resourceType": "Provenance", "target": [*targets, {"reference": "Patient/b"}]}).patient
        == ""
    )
    assert extract({"resourceType": "AdverseEvent", "subject": {"reference": "Patient/a"}}).patient == "a"
    assert extract({"resourceType": "Goal", "subject": {"reference": "Group/a"}}).patient == ""
    assert (compartment("Goal"), compartment("Consent"), compartment("Practitioner")) == (
        "Goal.subject",
        "Consent.patient",
        "",
    )


def test_names_are_folded():
    name = {"family": "Müller  Løken", "given": ["Zoë", None], "text": "ignored in family"}
    found = extract({"resourceType": "Patient", "id": "p", "name": [name]})
    assert StringKey("Patient.family", "muller løken", "Müller  Løken") in found.strings
    assert StringKey("Patient.given", "zoe", "Zoë") in found.strings
    assert fold("STRASSE") == fold("straße")
