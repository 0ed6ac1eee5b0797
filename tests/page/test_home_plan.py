"""A home plan of somebody else's making: what is not recorded is left out, nothing is made up."""

import json
from datetime import date

from filed import OBSERVATION, ZONE, coded

from service.fhir.canonical import extension
from service.page.home_plan import ExerciseRow, home_plan
from service.records.attainment_file import AttainmentFile
from service.records.views import CarePlan, Encounter, views
from service.records.worded import WordedRequest

DAY = date(2026, 7, 3)


def plan(id_, start, *requests, **more):
    category = more.pop("category", "home-exercise-plan")
    return {
        "resourceType": "CarePlan",
        "id": id_,
        "status": "active",
        "category": [coded(category, OBSERVATION)],
        "period": {"start": start},
        "activity": [{"reference": {"reference": f"ServiceRequest/{one}"}} for one in requests],
        **more,
    }


def exercise(id_, *extensions, **more):
    return {"id": id_, "status": "active", "extension": list(extensions), **more}


def ours(name, **value):
    return {"url": extension(name), **value}


def shown(plans, exercises=(), day=DAY, visits=()):
    def read(kind, found):
        return views(kind, [json.dumps(one).encode() for one in found])

    file = AttainmentFile(plans=read(CarePlan, plans), encounters=read(Encounter, visits))
    return home_plan(file, read(WordedRequest, exercises), day, ZONE)


def test_the_newest_plan_that_had_begun_is_shown():
    plans = [plan("a", "2026-06-05"), plan("b", "2026-07-01"), plan("c", "2026-07-04")]
    assert shown(plans).when == "1 Jul 2026"
    assert shown(plans, day=date(2026, 6, 30)).when == "5 Jun 2026"
    assert shown(plans, day=date(2026, 6, 4)) is None


def test_other_plans_and_those_entered_in_error_are_not_shown():
    other = plan("a", "2026-06-05", category="other")
    assert shown([other, plan("b", "2026-06-05", status="entered-in-error")]) is None


def test_a_plan_goes_with_its_visit_and_says_that_it_is_not_signed():
    made = plan("a", "2026-06-05", encounter={"reference": "Encounter/e"})
    draft = ours("visit-signature", extension=[{"url": "status", "valueCode": "preliminary"}])
    unsigned = {"id": "e", "status": "finished", "extension": [draft]}
    assert shown([made], visits=[unsigned]).when == "5 Jun 2026, of a visit that is not signed"
    assert shown([made], visits=[{"id": "e", "status": "entered-in-error"}]) is None


def test_what_was_not_recorded_is_said():
    found = shown([plan("a", "2026-06-05", "x", "gone")], [exercise("x")])
    assert found.exercises == (ExerciseRow("exercise not named", "not recorded", "not recorded"),)
    assert found.stop_rules == "none recorded as explained"


def test_an_exercise_is_told_with_all_it_has():
    line = exercise(
        "x",
        ours("exercise-sets", valuePositiveInt=2),
        ours("exercise-sessions-per-day", valuePositiveInt=3),
        ours("exercise-days-per-week", valuePositiveInt=5),
        ours("exercise-hold", valueQuantity={"value": 1.5, "code": "s"}),
        ours("exercise-percent-of-maximum", valueQuantity={"value": 60, "code": "%"}),
        ours("exercise-practised-with", valueCodeableConcept={"text": "Mildly Thick"}),
        ours(
            "exercise-meals",
            extension=[
                {"url": "timing", "valueCode": "before"},
                {"url": "phase", "valueString": "hold, then swallow"},
                {"url": "coughAfter", "valueBoolean": True},
            ],
        ),
        code={"text": "Supraglottic swallow"},
        quantityQuantity={"value": 10},
        occurrenceTiming={"repeat": {"boundsDuration": {"value": 4, "code": "wk"}}},
    )
    told = [{"url": "text", "valueString": "Stop for pain."}, {"url": "teachBack", "valueBoolean": False}]
    held = [ours("plan-stop-rules", extension=told), ours("plan-status-reason", valueString="fever")]
    found = shown([plan("a", "2026-06-05", "x", status="on-hold", extension=held)], [line])
    assert found.when == "5 Jun 2026, on hold: fever"
    (row,) = found.exercises
    assert row.name == "Supraglottic swallow"
    assert row.dose == "2 × 10 repetitions, 3 a day, 5 days a week, 4 weeks"
    assert row.how == (
        "hold 1.5 s, 60 % of own maximum, with Mildly Thick, "
        "at meals: before, hold, then swallow, cough after"
    )
    assert found.stop_rules == "Stop for pain. (explained on a day not recorded, not taught back)"
