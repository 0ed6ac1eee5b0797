"""What attention cues and the next review take from everything on file."""

from datetime import date, timedelta
from fractions import Fraction

from service.attainment.attention import next_review
from service.attainment.cues import CueLimits
from service.attainment.goals import Value
from service.attainment.inputs import CareFacts, Exertion, Noted, PatientInputs, Plan, PracticeLog
from service.attainment.patient import attain
from service.attainment.study import Study, Swallow
from service.attainment.trials import Block, Trial

DAY = date(2026, 9, 28)


def ago(days):
    return DAY - timedelta(days)


def noted(day, *words):
    return Noted(day, words, (f"Observation/{day}",))


def value(day, number):
    return Value(day, Fraction(number), evidence=(f"Observation/{day}",))


def given(limits=None, as_of=DAY, **inputs):
    care = CareFacts(**{"screens": (noted(ago(400)), noted(ago(10))), **inputs.pop("care", {})})
    return [cue.code for cue in attain(PatientInputs(care=care, **inputs), as_of, limits).cues]


def probe(day, observed, said):
    codes = {"1": "closed", "0": "not-closed"}
    trials = [
        Trial(n, codes[one], judgement=codes[own])
        for n, (one, own) in enumerate(zip(observed, said, strict=True), 1)
    ]
    return Block("pre", day, tuple(trials))


def test_red_flags_and_pneumonia_count_at_the_newest_visit_only():
    care = {"red_flags": (noted(ago(7), "fever"),), "pneumonia": (value(ago(7), 1),)}
    assert given(care={**care, "visits": (ago(14), ago(7))}) == ["red-flag", "pneumonia"]
    assert given(care={**care, "visits": (ago(7), DAY)}) == []
    assert given(care={**care, "visits": (ago(7), DAY)}, as_of=ago(1)) == ["red-flag", "pneumonia"]


def test_a_day_of_trials_is_a_visit_too():
    care = {"red_flags": (noted(ago(7), "fever"),), "visits": (ago(7),)}
    assert given(care=care, blocks=(probe(ago(1), "11", "11"),)) == []


def test_effort_is_held_against_the_clearance_of_its_time():
    strong = Exertion(DAY, value(DAY, 12), noted(DAY, "strong"))
    care = {"visits": (DAY,), "exertions": (strong,), "effort_limits": (noted(ago(30), "light"),)}
    assert given(care=care) == ["hold-long", "effort-high"]
    later = {**care, "effort_limits": (*care["effort_limits"], noted(DAY, "strong"))}
    assert given(CueLimits(hold_seconds=None), care=later) == []


def test_symptoms_count_since_the_visit_before_the_newest():
    care = {"symptoms": (noted(ago(20), "dizzy"), noted(ago(8), "cough"))}
    assert given(care={**care, "visits": (ago(14), DAY)}) == ["practice-symptom"]
    assert given(care={**care, "visits": (ago(14), ago(7), DAY)}) == []
    assert given(care=care) == ["practice-symptom"]


def test_over_confidence_is_of_the_last_two_visits_on_which_it_was_measured():
    visits = [probe(ago(21), "00000", "11000"), probe(ago(14), "00000", "11100")]
    not_asked = Block("pre", ago(7), tuple(Trial(n, "not-closed") for n in range(1, 6)))
    assert given(blocks=(*visits, not_asked)) == ["over-confident"]
    assert given(blocks=(*visits, probe(ago(7), "00000", "00000"))) == []


def test_closure_falls_by_two_trials_on_two_visits():
    found = [probe(ago(21 - 7 * n), seen, seen) for n, seen in enumerate(("11110", "11000", "00110"))]
    assert given(blocks=tuple(found)) == ["closure-fall"]
    assert given(blocks=tuple(found), as_of=ago(14)) == []


def test_the_diet_is_the_newest_level_of_each_kind():
    studies = (Study(ago(30), (Swallow(2, 7), Swallow(4, 1))),)
    levels = {"liquid-level": (value(ago(30), 2),), "food-level": (value(ago(30), 4),)}
    assert given(care={"diet": levels}, studies=studies) == ["score-on-diet"]
    changed = {**levels, "liquid-level": (*levels["liquid-level"], value(ago(3), 3))}
    assert given(care={"diet": changed}, studies=studies) == []


def plans(*changes):
    return {"plans": tuple(Plan(f"CarePlan/{n}", day, status) for n, (day, status) in enumerate(changes))}


def test_days_without_a_log_count_from_the_plan_or_the_last_returned_log():
    assert given(care=plans((ago(20), "active"))) == ["no-log"]
    log = PracticeLog(ago(19), ago(2), returned=True, days=(), evidence=("Observation/log",))
    assert given(care=plans((ago(20), "active")), logs=(log,)) == []
    lost = PracticeLog(ago(19), ago(2), returned=False, days=())
    assert given(care=plans((ago(20), "active")), logs=(lost,)) == ["no-log"]


def test_a_plan_on_hold_or_over_asks_for_no_log():
    assert given(care=plans((ago(40), "active"), (ago(20), "on-hold"))) == []
    over = {"plans": (Plan("CarePlan/1", ago(40), end=ago(20)),)}
    assert given(care=over) == []


def test_a_screen_is_asked_for_where_breath_holding_is_trained():
    assert given(care={"screens": ()}) == []
    assert given(care={"screens": (), **plans((ago(1), "active"))}) == ["screen-old"]
    assert given(care={"screens": (), "visits": (ago(1),), "exertions": (Exertion(ago(1)),)}) == [
        "screen-old"
    ]


def review(as_of, *visits):
    care = CareFacts(visits=visits, plans=(Plan("CarePlan/1", ago(60), review=ago(20)),))
    return next_review(care, as_of)


def test_a_review_is_to_come_held_or_overdue():
    assert (review(ago(25)).days_left, review(ago(25)).overdue, review(ago(25)).held) == (5, False, False)
    assert (review(DAY, ago(30)).overdue, review(DAY, ago(30)).held) == (True, False)
    assert (review(DAY, ago(19)).overdue, review(DAY, ago(19)).held) == (False, True)
    assert review(ago(61)) is None
    assert next_review(CareFacts(plans=(Plan("CarePlan/1", ago(60)),)), DAY) is None


def test_the_newest_plan_names_the_review():
    care = CareFacts(
        plans=(Plan("CarePlan/1", ago(60), review=ago(20)), Plan("CarePlan/2", ago(5), review=DAY))
    )
    assert next_review(care, DAY).evidence == ("CarePlan/2",)
    assert next_review(care, ago(10)).evidence == ("CarePlan/1",)
