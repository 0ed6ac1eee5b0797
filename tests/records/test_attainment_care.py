"""From stored resources to what attention cues, phases and excluded visits rest on."""

from datetime import date
from decimal import Decimal
from fractions import Fraction
from zoneinfo import ZoneInfo

import pytest
from stored_samples import answered, component, concept, judgement, observation, ours, reference, trial

from service.attainment.inputs import Plan
from service.fhir.canonical import CANONICAL_ROOT, code_system
from service.fhir.json import dump
from service.records.attainment_file import AttainmentFile
from service.records.attainment_inputs import attainment_inputs
from service.records.views import (
    CarePlan,
    Encounter,
    Goal,
    Observation,
    Patient,
    QuestionnaireResponse,
    views,
)

DAY, UTC = date(2026, 6, 5), ZoneInfo("UTC")
KINDS = (Goal, Observation, Encounter, CarePlan, QuestionnaireResponse)


def read(*resources, as_of=date(2026, 12, 1)):
    found = (
        views(kind, (dump(one) for one in resources if one["resourceType"] == kind.__name__))
        for kind in KINDS
    )
    patients = views(Patient, (dump(one) for one in resources if one["resourceType"] == "Patient"))
    return attainment_inputs(AttainmentFile(*found, *patients), zone=UTC, as_of=as_of)


def care(*resources, **more):
    return read(*resources, **more).care


def encounter(id_, day="2026-06-05", *extensions, status="finished"):
    return {
        "resourceType": "Encounter",
        "id": id_,
        "status": status,
        "period": {"start": f"{day}T10:00:00Z"},
        "extension": list(extensions),
    }


def excluded(reason):
    parts = [{"url": "reason", "valueCodeableConcept": {"text": reason}}]
    return ours("visit-exclusion", extension=parts)


def plan(id_, start, *extensions, status="active", created="2026-06-05T10:00:00Z", end=None, **more):
    category = {"coding": [{"system": code_system("swallow-observation"), "code": "home-exercise-plan"}]}
    return {
        "resourceType": "CarePlan",
        "id": id_,
        "status": status,
        "category": [category],
        "period": {"start": start, **({"end": end} if end else {})},
        "created": created,
        "extension": list(extensions),
        **more,
    }


def screen(id_, day, **more):
    named = f"{CANONICAL_ROOT}/Questionnaire/breath-hold-safety-screen"
    return {
        "resourceType": "QuestionnaireResponse",
        "id": id_,
        "status": "completed",
        "questionnaire": named,
        "authored": day,
        **more,
    }


def test_visits_are_those_that_took_place():
    found = care(encounter("1"), encounter("2", "2026-06-01"), encounter("3", "2026-07-01", status="planned"))
    assert found.visits == (date(2026, 6, 1), DAY)


def test_red_flags_answered_yes():
    checklist = observation(
        "flags",
        "red-flag-checklist",
        "2026-06-05",
        answered("fever", "yes"),
        answered("blood", "no"),
        {"code": {"text": "rash"}, "valueCodeableConcept": concept("yes")},
    )
    (found,) = care(checklist).red_flags
    assert (found.day, found.words, found.evidence) == (DAY, ("fever", "other"), ("Observation/flags",))


def test_diet_pneumonia_and_clearance():
    found = care(
        observation("a", "liquid-level", "2026-06-05", valueCodeableConcept=concept("iddsi-2")),
        observation("b", "food-level", "2026-06-05", valueCodeableConcept=concept("iddsi-5")),
        observation("c", "food-level", "2026-06-05", valueCodeableConcept=concept("soup")),
        observation("d", "pneumonia-since-last-visit", "2026-06-05", valueInteger=1),
        observation("e", "breath-hold-clearance", "2026-06-05", answered("effort-limit", "light")),
    )
    assert {kind: [one.value for one in values] for kind, values in found.diet.items()} == {
        "liquid-level": [2],
        "food-level": [5],
    }
    assert [one.value for one in found.pneumonia] == [1]
    assert [one.words for one in found.effort_limits] == [("light",)]


@pytest.mark.published("UCUM: 1 [lb_av] is 7000 grains of 64.79891 mg")
def test_weight_counts_in_kilograms_whatever_its_unit():
    weights = [("72.50", "kg"), ("160", "[lb_av]"), ("71900", "g"), ("72", "m"), ("72", "stone"), ("72", "")]
    found = read(
        *(
            observation(
                f"w{day}",
                "body-weight",
                f"2026-06-0{day}",
                valueQuantity={"value": Decimal(value), "code": code},
            )
            for day, (value, code) in enumerate(weights, 1)
        )
    )
    assert [one.value for one in found.scores["body-weight"]] == [
        Fraction(145, 2),
        Fraction(160 * 7000 * 6479891, 10**11),
        Fraction(719, 10),
    ]


def ending(id_, day, why):
    return observation(id_, "reason-for-ending", day, valueCodeableConcept=concept(why))


def patient(**deceased):
    return {"resourceType": "Patient", "id": "p", **deceased}


def endings(*resources):
    return [(one.day.isoformat(), one.reason, one.evidence) for one in care(*resources).endings]


def test_why_care_ended_is_what_the_discharge_visit_states():
    found = endings(ending("b", "2026-09-01", "moved"), ending("a", "2026-06-05", "medical-change"))
    assert found == [
        ("2026-06-05", "medical-change", ("Observation/a",)),
        ("2026-09-01", "moved", ("Observation/b",)),
    ]
    assert endings(ending("a", "2026-06-05", "no-such-code")) == [
        ("2026-06-05", "no-such-code", ("Observation/a",))
    ]
    assert endings(observation("a", "reason-for-ending", "2026-06-05", valueString="gone")) == []


def test_a_death_is_read_from_the_patient():
    assert endings(patient(deceasedDateTime="2026-07-01T23:30:00Z")) == [("2026-07-01", "died", ())]
    assert endings(patient(deceasedBoolean=False)) == endings(patient()) == []


@pytest.mark.parametrize("told", [{"deceasedBoolean": True}, {"deceasedDateTime": "2026"}])
def test_a_death_without_a_day_is_taken_on_the_newest_day_on_file(told):
    assert endings(patient(**told)) == []
    assert endings(patient(**told), encounter("e", "2026-06-20"), trial("t", "closed")) == [
        ("2026-06-20", "died", ())
    ]


def test_the_patients_day_of_death_is_better_than_the_day_it_was_noted():
    noted = ending("a", "2026-07-14", "died")
    assert endings(noted, patient(deceasedBoolean=True)) == [("2026-07-14", "died", ("Observation/a",))]
    assert endings(noted, patient(deceasedDateTime="2026-07-01")) == [("2026-07-01", "died", ())]


def test_an_excluded_visit_keeps_why_care_ended():
    said = ending("a", "2026-06-05", "medical-change") | {"encounter": {"reference": "Encounter/e"}}
    assert endings(said, encounter("e", "2026-06-05", excluded("unwell")))


def test_symptoms_with_practice():
    day = observation("d", "practice-day", "2026-06-06", component("symptom", valueString="chest pain"))
    quiet = observation("e", "practice-day", "2026-06-07", component("exercise", valueString="closure"))
    (found,) = care(day, quiet).symptoms
    assert (found.day, found.words) == (date(2026, 6, 6), ("chest pain",))


def held(id_, seconds, effort, day, block="pre"):
    hold = {"value": Decimal(seconds), "code": "s"}
    parts = (component("hold-duration", valueQuantity=hold), answered("effort-instructed", effort))
    return trial(id_, "closed", *parts, when=f"{day}T10:00:00Z", block=block)


def test_effort_is_that_of_the_newest_day_over_all_blocks():
    trials = (
        held("a", "20", "strong", "2026-06-05"),
        held("b", "3", "light", "2026-06-12"),
        held("c", "4.5", "medium", "2026-06-12", "feedback"),
    )
    (found,) = care(*trials).exertions
    assert (found.day, found.hold.value, found.hold.evidence) == (
        date(2026, 6, 12),
        Fraction(9, 2),
        ("Observation/c",),
    )
    assert found.effort.words == ("medium",)
    (earlier,) = care(*trials, as_of=date(2026, 6, 11)).exertions
    assert (earlier.hold.value, earlier.effort.words) == (20, ("strong",))
    assert care(*trials, as_of=date(2026, 6, 1)).exertions == ()


def test_training_begins_with_the_first_block_that_is_no_probe():
    first, second = held("a", "1", "light", "2026-06-05"), held("b", "1", "light", "2026-06-12", "feedback")
    assert care(first, second).training_began == date(2026, 6, 12)
    assert care(first).training_began is None


def test_plans_say_what_their_own_record_said():
    review = ours("plan-review", valueDate="2026-07-03")
    stated = (ours("plan-stated-status", valueCode="active"), ours("plan-stated-end", valueDate="2026-09-01"))
    found = care(
        plan("2", "2026-07-03", review, status="on-hold"),
        plan("1", "2026-06-05", *stated, status="completed", end="2026-07-02"),
        plan("3", "2026-08-01", status="entered-in-error"),
        {**plan("4", "2026-08-02"), "category": []},
    )
    assert found.plans == (
        Plan("CarePlan/1", DAY, "active", date(2026, 9, 1)),
        Plan("CarePlan/2", date(2026, 7, 3), "on-hold", None, date(2026, 7, 3)),
    )


def test_of_two_plans_of_one_day_the_one_made_last_stands():
    late = plan("a", "2026-06-05", created="2026-06-05T11:00:00Z")
    assert [one.reference for one in care(late, plan("b", "2026-06-05")).plans] == ["CarePlan/a"]


def test_screens_are_answered_ones_of_this_form():
    found = care(
        screen("2", "2026-07-01"),
        screen("1", "2026-06-05"),
        screen("3", "2026-08-01", status="in-progress"),
        screen("4", "2026-08-02", questionnaire="http://example.org/other"),
    )
    assert [(one.day, one.evidence) for one in found.screens] == [
        (DAY, ("QuestionnaireResponse/1",)),
        (date(2026, 7, 1), ("QuestionnaireResponse/2",)),
    ]


def of_visit(visit):
    at = {"encounter": reference(f"Encounter/{visit}")}
    return (
        trial("t", "closed", **at),
        judgement("t", "closed", **at),
        observation("l", "oral-intake-7", "2026-06-05", valueInteger=5, **at),
        observation("s", "bolus-swallow", "2026-06-05", answered("bolus-consistency", "iddsi-0"), **at),
        observation("f", "red-flag-checklist", "2026-06-05", answered("fever", "yes"), **at),
        observation("g", "goal-stated-status", "2026-06-05", focus=[reference("Goal/g1")], **at),
        {**screen("q", "2026-06-05"), **at},
        {**plan("p", "2026-06-05"), **at},
    )


def test_the_values_of_an_excluded_visit_count_nowhere_and_are_listed_with_the_reason():
    found = read(encounter("1", "2026-06-05", excluded("fever, not himself")), *of_visit("1"))
    assert (found.blocks, found.studies, found.scores["oral-intake-level"]) == ((), (), ())
    (visit,) = found.excluded
    assert (visit.reference, visit.day, visit.reason) == ("Encounter/1", DAY, "fever, not himself")
    assert sorted(visit.evidence) == [f"Observation/{id_}" for id_ in ("l", "s", "t", "t-own")]


def test_what_is_about_safety_stays_when_a_visit_is_excluded():
    found = care(encounter("1", "2026-06-05", excluded("fever")), *of_visit("1"))
    assert [one.words for one in found.red_flags] == [("fever",)]
    assert (len(found.screens), len(found.plans), found.visits) == (1, 1, (DAY,))


def test_other_visits_are_not_touched_by_an_exclusion():
    found = read(encounter("1"), encounter("2", "2026-06-12", excluded("fever")), *of_visit("1"))
    assert len(found.blocks) == len(found.studies) == 1
    assert [one.evidence for one in found.excluded] == [()]


@pytest.mark.parametrize("status", ["entered-in-error"])
def test_a_visit_entered_in_error_takes_everything_with_it(status):
    found = read(encounter("1", "2026-06-05", excluded("fever"), status=status), *of_visit("1"))
    assert (found.blocks, found.studies, found.excluded) == ((), (), ())
    assert (found.care.red_flags, found.care.screens, found.care.plans, found.care.visits) == ((), (), (), ())


def test_a_trial_amended_to_not_observable_leaves_the_share():
    lost = trial("t", "error", answered("reason-not-rated", "view-lost"), status="amended")
    (block,) = read(lost).blocks
    assert [(one.observed, one.reason, one.scored) for one in block.trials] == [
        ("not-observable", "view lost", False)
    ]


def test_boluses_are_ordered_and_tell_what_makes_them_alike():
    def bolus(id_, number, *parts):
        sequence = component("bolus-sequence", valueInteger=number)
        score = component("airway-invasion-8pt", valueInteger=number)
        return observation(id_, "bolus-swallow", "2026-06-05", sequence, score, *parts)

    volume = component("bolus-volume", valueQuantity={"value": Decimal(10), "code": "mL"})
    timing = (answered("entry-timing", "before"), answered("entry-timing", "after"))
    solid = (
        component("bolus-amount", valueString="1 piece"),
        component("easy-to-chew", valueBoolean=True),
    )
    (study,) = read(
        bolus("b", 2, answered("bolus-consistency", "iddsi-7"), *solid),
        bolus("a", 1, answered("bolus-consistency", "iddsi-0"), volume, *timing),
    ).studies
    first, second = study.swallows
    assert (first.volume, first.timing, first.evidence) == (10, ("before", "after"), "Observation/a")
    assert (second.kind, second.score) == ((7, None, "1 piece, easy to chew"), 2)


def test_studies_of_two_visits_are_two():
    consistency = answered("bolus-consistency", "iddsi-0")
    found = read(
        observation("a", "bolus-swallow", "2026-06-05", consistency, encounter=reference("Encounter/1")),
        observation("b", "bolus-swallow", "2026-06-05", consistency, encounter=reference("Encounter/2")),
        observation("c", "bolus-swallow", "2026-06-05", consistency, encounter=reference("Encounter/2")),
    ).studies
    assert [len(one.swallows) for one in found] == [1, 2]


def test_the_cue_level_of_a_trial():
    (block,) = read(trial("a", "closed", answered("cue-level", "minimal-cues"))).blocks
    assert block.trials[0].cue == "minimal-cues"
