import json
import random
from datetime import date

import planted
import pytest

from service.deidentify.people import (
    NOT_VALID,
    QuasiIdentifiers,
    deidentify_person,
    in_age_class,
    quasi_identifiers,
)
from service.deidentify.policy import Deidentifier
from service.deidentify.pseudonyms import Pseudonyms
from service.shipped import shipped

POLICY = json.loads(shipped("mappings", "policies", "safe-harbor.json").read_text("utf-8"))
DEIDENTIFY = Deidentifier(POLICY, vocabulary=planted.VOCABULARY, restricted_zip3=["036"])
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


def together(*others, valid=lambda _: True, patient=None):
    names = Pseudonyms({}, random.Random(1).getrandbits)  # noqa: S311 - chance that can be repeated
    stored = [patient or {"resourceType": "Patient", "id": "p"}, *others]
    return deidentify_person(stored, DEIDENTIFY, day=DAY, names=names, valid=valid)


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


PATIENT = {
    "birthDate": "1958",
    "gender": "female",
    "address": [{"state": "MA", "postalCode": "021", "country": "US"}],
}


def test_what_a_person_can_be_told_apart_by():
    condition = {"resourceType": "Condition", "code": {"coding": [{"system": "x", "code": "I69"}]}}
    visits = [{"resourceType": "Encounter", "period": {"start": year}} for year in ("2026", "2025", "2026")]
    found = quasi_identifiers(PATIENT, [condition, *visits, {"resourceType": "Flag"}])
    assert found == QuasiIdentifiers("1958", "female", "MA", "021", ("I69",), ("2025", "2026"))


@pytest.mark.parametrize(
    ("born", "age"), [("1958", "60-69"), ("1937", "80-89"), ("1936", "90 or older"), ("2026", "0-9")]
)
def test_a_birth_year_becomes_the_class_of_the_age_reached_that_year(born, age):
    wider = in_age_class({"birthDate": born, "gender": "male"}, DAY, "http://url")
    assert wider == {"gender": "male", "extension": [{"url": "http://url", "valueString": age}]}
    group = quasi_identifiers({"birthDate": born}, [])
    assert group.in_age_class(DAY) == quasi_identifiers(wider | {"gender": ""}, [])


def test_a_class_that_shows_no_birth_year_is_as_wide_as_it_gets():
    oldest = quasi_identifiers({"extension": [{"url": "http://url", "valueString": "90 or older"}]}, [])
    assert oldest.in_age_class(DAY) == oldest
    assert in_age_class({"gender": "male"}, DAY, "http://url") == {"gender": "male"}
