from datetime import date

import pytest

from service.deidentify.quasi_identifiers import QuasiIdentifiers, quasi_identifiers, wideners
from service.fhir.canonical import extension
from service.jobs.research_policies import policy_document

DAY = date(2026, 9, 20)
POLICY = policy_document("safe-harbor")
STEPS = dict(wideners(POLICY, DAY))
ICD, SCT = "http://hl7.org/fhir/sid/icd-10-cm", "http://snomed.info/sct"
PATIENT = {
    "resourceType": "Patient",
    "birthDate": "1958",
    "gender": "female",
    "address": [{"state": "MA", "postalCode": "021", "country": "US"}],
}


def condition(*codings):
    return {"resourceType": "Condition", "code": {"coding": [{"system": s, "code": c} for s, c in codings]}}


def test_what_a_person_can_be_told_apart_by():
    visits = [
        {"resourceType": "Encounter", "period": {"start": day}} for day in ("2026", "2025-02-03", "2026-04")
    ]
    found = quasi_identifiers(PATIENT, [condition((ICD, "I69")), *visits, {"resourceType": "Flag"}])
    assert found == QuasiIdentifiers(
        "1958", "female", ("country US", "postalCode 021", "state MA"), ("I69",), ("2025", "2026"), died=False
    )


def test_days_show_the_year_of_the_first_visit_alone():
    patient = {
        "extension": [{"url": extension("first-visit-year"), "valueDate": "2026"}],
        "deceasedBoolean": True,
    }
    visit = {"resourceType": "Encounter", "period": {"_start": {"extension": [{"valueInteger": 49}]}}}
    found = quasi_identifiers(patient, [visit])
    assert (found.years, found.died) == (("2026",), True)


@pytest.mark.parametrize(
    ("born", "age"), [("1958", "60-69"), ("1937", "80-89"), ("1936", "90 or older"), ("2026", "0-9")]
)
def test_a_birth_year_becomes_the_class_of_the_age_reached_that_year(born, age):
    patient = {"resourceType": "Patient", "birthDate": born, "gender": "male"}
    wider = STEPS["age class"](patient)
    assert wider == {
        "resourceType": "Patient",
        "gender": "male",
        "extension": [{"url": extension("age-class"), "valueString": age}],
    }
    assert quasi_identifiers(wider, []).age == age
    assert STEPS["age class"](wider) == wider


def test_zip_digits_go_then_a_state_becomes_its_region():
    without = STEPS["no ZIP3"](PATIENT)
    assert without["address"] == [{"state": "MA", "country": "US"}]
    wider = STEPS["region"](without)
    assert wider["address"] == [{"country": "US"}]
    assert wider["extension"] == [{"url": extension("census-region"), "valueString": "Northeast"}]
    assert quasi_identifiers(wider, []).place == ("country US", "Northeast")
    nowhere = {"resourceType": "Patient", "address": [{"postalCode": "021"}]}
    assert STEPS["region"](STEPS["no ZIP3"](nowhere)) == {"resourceType": "Patient"}


@pytest.mark.published(
    "US Census Bureau, Census Regions and Divisions: 50 states and the District of Columbia"
)
def test_every_state_has_one_region():
    states = [state for of in POLICY["regions"].values() for state in of]
    assert sorted(states) == sorted(POLICY["places"]["states"])
    assert [len(of) for of in POLICY["regions"].values()] == [9, 12, 17, 13, 5]


@pytest.mark.parametrize(
    ("codings", "wider"),
    [
        ([(ICD, "I69")], [(ICD, "I00-I99")]),
        ([(ICD, "D48"), (ICD, "D50")], [(ICD, "C00-D49"), (ICD, "D50-D89")]),
        ([(SCT, "71457002"), (SCT, "40739000")], [(SCT, "40739000")]),
        ([(SCT, "302912005")], [(SCT, "134290008")]),
    ],
)
def test_a_condition_is_rolled_up(codings, wider):
    found = STEPS["condition chapter"](condition(*codings))["code"]["coding"]
    assert [(one["system"], one["code"]) for one in found] == wider


def test_a_condition_of_no_chapter_is_masked():
    found = STEPS["condition chapter"](condition((ICD, "F00")))
    assert found["code"]["extension"][0]["valueCode"] == "masked"
    assert quasi_identifiers({}, [found]).conditions == ("",)


def test_what_a_step_does_not_concern_stays():
    flag = {"resourceType": "Flag", "code": {"text": "x"}}
    assert [step(flag) for step in STEPS.values()] == [flag] * 4


def test_a_step_that_does_not_exist_is_refused():
    with pytest.raises(ValueError, match="by 'shoe size'"):
        wideners(POLICY | {"steps": ["shoe size"]}, DAY)
