from datetime import date
from zoneinfo import ZoneInfo

import pytest

from service.fhir.canonical import code_system
from service.fhir.json import dump
from service.page import facts
from service.records.views import Encounter, views
from service.records.worded import WordedCondition, WordedObservation

DAY = date(2026, 9, 11)
ZONE = ZoneInfo("America/New_York")
PATIENT = {
    "resourceType": "Patient",
    "name": [{"given": ["Marlowe"], "family": "Testwell"}],
    "birthDate": "1935-03-14",
}


def concept(code, kind="observation", text=""):
    coding = [
        {"system": "http://snomed.info/sct", "code": "1"},
        {"system": code_system(f"swallow-{kind}"), "code": code},
    ]
    return {"coding": coding, "text": text or code}


def observed(code, when, status="final", **more):
    return {
        "resourceType": "Observation",
        "status": status,
        "code": concept(code),
        "effectiveDateTime": when,
        **more,
    }


def visit(day, status="finished"):
    return {"resourceType": "Encounter", "status": status, "period": {"start": f"{day}T23:30:00-04:00"}}


def flags(when, **answers):
    items = [
        {"code": concept("red-flag-item", text=item), "valueCodeableConcept": concept(answer, "value")}
        for item, answer in answers.items()
    ]
    return observed("red-flag-checklist", when, component=items)


def shown(*observations, conditions=(), visits=None, patient=PATIENT):
    visits = [visit("2026-09-11")] if visits is None else visits
    known = facts.Known(seen(WordedObservation, observations), DAY, ZONE)
    return facts.banner(patient, seen(WordedCondition, conditions), seen(Encounter, visits), known)


def seen(kind, resources):
    return views(kind, map(dump, resources))


@pytest.mark.parametrize(
    ("birth", "years"),
    [
        ("1935-03-14", 91),
        ("1935-09-11", 91),
        ("1935-09-12", 90),
        ("1935", None),
        ("", None),
        ("2030-01-01", None),
    ],
)
def test_age_is_whole_years_of_a_whole_date(birth, years):
    assert facts.age({"birthDate": birth}, DAY) == years


def test_a_name_is_the_usual_or_official_one():
    names = [{"use": "old", "text": "Former Name"}, {"use": "official", "given": ["A", "B"], "family": "C"}]
    assert facts.name({"name": names}) == "A B C"
    assert facts.name({}) == "Name not recorded"


def test_the_last_visit_is_the_newest_that_took_place_on_the_sites_calendar():
    visits = [
        visit("2026-09-11"),
        visit("2026-09-12"),
        visit("2026-09-11", "planned"),
        visit("2026-09-10"),
        visit("2026-09-11", "cancelled"),
    ]
    visits = seen(Encounter, visits)
    assert facts.last_visit(visits, DAY, ZONE) == DAY
    assert facts.visit_days(visits, ZONE) == [date(2026, 9, 10), DAY, date(2026, 9, 12)]
    assert facts.last_visit(seen(Encounter, [visit("2026-09-11", "entered-in-error")]), DAY, ZONE) is None


def test_red_flags_are_those_of_the_last_visit_only():
    old = flags("2026-08-28T10:00:00Z", fever="yes")
    assert shown(old).red_flags is None
    assert shown(old, flags("2026-09-11T10:00:00Z", fever="no", blood="yes")).red_flags == ("blood",)
    assert shown(flags("2026-09-11T10:00:00Z", fever="no")).red_flags == ()


def test_the_newest_level_not_after_the_day_counts_and_errors_do_not():
    found = shown(
        observed("oral-intake-7", "2026-09-01", valueInteger=6),
        observed("oral-intake-7", "2026-09-08", valueInteger=5),
        observed("oral-intake-7", "2026-09-10", status="entered-in-error", valueInteger=1),
        observed("oral-intake-7", "2026-09-20", valueInteger=7),
        observed(
            "liquid-level", "2026-09-08", valueCodeableConcept=concept("iddsi-2", "value", "Mildly Thick")
        ),
        observed("tube-in-use", "2026-09-08", valueCodeableConcept=concept("no", "value", "No")),
    )
    assert (found.oral_intake, found.oral_intake_day) == (5, date(2026, 9, 8))
    assert found.diet == "drinks level 2 (Mildly Thick); no feeding tube"


def test_clearance_brings_its_day_and_effort_limit():
    limit = {"code": concept("effort-limit"), "valueCodeableConcept": concept("light", "value", "Light")}
    decision = observed(
        "breath-hold-clearance",
        "2026-06-05",
        valueCodeableConcept=concept("limited", "value", "Limited"),
        component=[limit],
    )
    assert (shown(decision).clearance, shown(decision).effort_limit) == ("limited (5 Jun 2026)", "light")
    assert (shown().clearance, shown().effort_limit) == ("", "")


def test_conditions_that_do_not_hold_are_left_out():
    def condition(text, **states):
        return {"code": {"text": text}} | {
            name: {"coding": [{"code": code}]} for name, code in states.items()
        }

    found = shown(
        conditions=(
            condition("stroke", clinicalStatus="active"),
            condition("stroke", clinicalStatus="recurrence"),
            condition("mistake", verificationStatus="entered-in-error"),
            condition("cold", clinicalStatus="resolved"),
            condition("later") | {"recordedDate": "2026-10-01"},
        )
    )
    assert found.conditions == ("stroke",)


def test_test_data_is_recognised_by_its_label():
    label = {"meta": {"security": [{"code": "HTEST"}]}}
    assert shown(patient=PATIENT | label).invented
    assert not shown().invented


def test_a_person_of_whom_nothing_is_known_has_a_banner():
    found = shown(patient={}, visits=())
    assert (found.last_visit, found.days_since_visit, found.oral_intake, found.red_flags) == (
        None,
        None,
        None,
        None,
    )
