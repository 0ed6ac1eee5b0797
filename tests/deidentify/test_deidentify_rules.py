from datetime import date
from decimal import Decimal

import pytest

from service.deidentify import rules
from service.deidentify.rules import Release

RELEASE = Release(date(2026, 9, 20), {"Patient/p": "random-1", "Goal/g": "random-2"}.get)
SCT, UCUM = "http://snomed.info/sct", "http://unitsofmeasure.org"
ICD = "http://hl7.org/fhir/sid/icd-10-cm"
CODES = {SCT: {"40739000": "Dysphagia", "1": ""}}
CODING = rules.coding(CODES, {ICD: r"([A-Z][0-9][0-9A-Z])(?:\.?[0-9A-Z]{1,4})?"})
NUMBER = rules.number(99_999, 6)


def test_a_known_code_keeps_the_vocabulary_s_label_not_the_sender_s():
    sent = {
        "system": SCT,
        "code": "40739000",
        "display": "Ottoline's trouble",
        "userSelected": True,
        "version": "x",
    }
    assert CODING(sent, RELEASE) == {"system": SCT, "code": "40739000", "display": "Dysphagia"}
    assert CODING({"system": SCT, "code": "1", "display": "Ottoline"}, RELEASE) == {
        "system": SCT,
        "code": "1",
    }


@pytest.mark.parametrize(
    "sent",
    [
        {"system": SCT, "code": "Sampleby"},
        {"system": "http://other.example.org", "code": "40739000"},
        {"code": "40739000"},
        {"system": [SCT], "code": "40739000"},
        "40739000",
        None,
    ],
)
def test_a_code_nobody_knows_is_dropped(sent):
    assert CODING(sent, RELEASE) is None


@pytest.mark.parametrize(
    ("code", "kept"),
    [
        ("I69.391", "I69"),
        ("C10.9", "C10"),
        ("J38", "J38"),
        ("I69391", "I69"),
        ("Sampleby", None),
        ("I69.391 O", None),
    ],
)
def test_icd_10_is_rolled_up_to_three_characters(code, kept):
    found = CODING(
        {"system": ICD, "code": code, "display": "Dysphagia following cerebral infarction"}, RELEASE
    )
    assert found == (kept and {"system": ICD, "code": kept})


def test_a_concept_loses_its_text_and_is_nothing_without_codes():
    concept = rules.concept(CODING)
    known = {"system": SCT, "code": "40739000", "display": "Dysphagia"}
    assert concept({"coding": [known, {"code": "x"}], "text": "since the fall"}, RELEASE) == {
        "coding": [known]
    }
    assert concept({"text": "since the fall"}, RELEASE) is None


def test_a_masked_concept_says_that_something_was_hidden():
    masked = rules.masked("http://url", rules.concept(CODING))
    assert masked({"text": "sing again"}, RELEASE) == {
        "extension": [{"url": "http://url", "valueCode": "masked"}]
    }


@pytest.mark.parametrize("kept", [0, 7, -3, Decimal("72.50"), Decimal("0.001"), 99_999])
def test_small_numbers_stay_as_they_were_written(kept):
    assert NUMBER(kept, RELEASE) is kept


@pytest.mark.parametrize("sent", [100_000, 20260203, 5550105, Decimal("1.5550105"), "7", True, None])
def test_a_number_that_may_be_somebody_s_is_dropped(sent):
    assert NUMBER(sent, RELEASE) is None


QUANTITY = rules.quantity(NUMBER, {"mL": "mL", "a": "a", "mo": "mo", "d": "d"})


def test_a_quantity_keeps_value_comparator_and_a_listed_unit():
    sent = {
        "value": Decimal("5.0"),
        "comparator": ">=",
        "unit": "millilitres for Bram",
        "system": UCUM,
        "code": "mL",
    }
    assert QUANTITY(sent, RELEASE) == {
        "value": Decimal("5.0"),
        "comparator": ">=",
        "unit": "mL",
        "system": UCUM,
        "code": "mL",
    }
    assert QUANTITY({**sent, "code": "{Bram}"}, RELEASE) is None
    assert QUANTITY({"value": 5, "unit": "mL"}, RELEASE) is None


@pytest.mark.parametrize(
    ("value", "code", "stays"),
    [(89, "a", True), (90, "a", False), (1080, "mo", False), (1079, "mo", True), (33_000, "d", False)],
)
def test_a_time_of_ninety_years_may_be_an_age(value, code, stays):
    assert (QUANTITY({"value": value, "system": UCUM, "code": code}, RELEASE) is not None) is stays


@pytest.mark.parametrize(
    ("sent", "kept"),
    [
        ("Patient/p", "Patient/random-1"),
        ("Goal/g/_history/3", "Goal/random-2"),
        ("Patient/unknown", None),
        ("https://hospital.example.org/fhir/Patient/p", None),
        ("#contained", None),
        ("urn:uuid:0c3151bd-1cbf-4d64-b04d-cd9187a4c6e0", None),
    ],
)
def test_a_reference_points_at_the_released_resource_or_goes(sent, kept):
    found = rules.reference({"reference": sent, "display": "Ottoline", "identifier": {"value": "1"}}, RELEASE)
    assert found == (kept and {"reference": kept})


ADDRESS = rules.address(
    states=["NH", "WY"],
    home=["US", "USA"],
    countries=["US", "CA"],
    below_state=rules.zip3_alone(["036"]),
)


@pytest.mark.parametrize(
    ("sent", "kept"),
    [
        (
            {
                "state": "NH",
                "postalCode": "03602",
                "country": "US",
                "city": "Alstead",
                "line": ["1 Road"],
                "text": "x",
            },
            {"state": "NH", "postalCode": "000", "country": "US"},
        ),
        ({"state": "NH", "postalCode": "03801"}, {"state": "NH", "postalCode": "038"}),
        (
            {"state": "Alstead", "postalCode": "03801", "country": "USA"},
            {"postalCode": "038", "country": "USA"},
        ),
        ({"state": "ON", "postalCode": "K1A 0B1", "country": "CA"}, {"country": "CA"}),
        ({"postalCode": "03801", "country": "near Bram"}, None),
        ({"city": "Alstead"}, None),
    ],
)
def test_an_address_keeps_state_three_digits_and_country(sent, kept):
    assert ADDRESS(sent, RELEASE) == kept
