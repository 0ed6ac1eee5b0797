from datetime import date
from decimal import Decimal
from fractions import Fraction
from zoneinfo import ZoneInfo

import pytest
from stored_samples import (
    ACHIEVEMENT,
    answered,
    component,
    concept,
    criterion,
    goal,
    judgement,
    observation,
    ours,
    reference,
    reps,
    target,
    trial,
)

from service.attainment.criterion import Criterion
from service.attainment.inputs import ScalingLevel, Statement
from service.fhir.json import dump
from service.records.attainment_file import AttainmentFile
from service.records.attainment_inputs import attainment_inputs
from service.records.views import CarePlan, Encounter, Goal, Observation, QuestionnaireResponse, views

UTC = ZoneInfo("UTC")
DAY = date(2026, 6, 5)


def read(*resources, zone=UTC, as_of=date(2026, 12, 1)):
    def of(kind):
        return views(kind, (dump(one) for one in resources if one["resourceType"] == kind.__name__))

    kinds = (Goal, Observation, Encounter, CarePlan, QuestionnaireResponse)
    return attainment_inputs(AttainmentFile(*map(of, kinds)), zone=zone, as_of=as_of)


def only_trial(*resources):
    (block,) = read(*resources).blocks
    return block.trials[0]


@pytest.mark.parametrize("status", ["preliminary", "registered", "cancelled", "entered-in-error"])
def test_what_is_not_final_counts_nowhere_whoever_wrote_it(status):
    """FHIR R4, observation-status: interim, incomplete or unverified."""
    found = read(trial("a", "closed", number=1), trial("b", "closed", number=2, status=status))
    assert [len(block.trials) for block in found.blocks] == [1]
    assert found.excluded == ()


def test_trials_make_blocks_by_encounter_and_block():
    visit = {"encounter": reference("Encounter/1")}
    found = read(
        trial("b", "not-closed", number=2, **visit),
        trial("a", "closed", number=1, **visit),
        trial("c", "closed", block="post", **visit),
        trial("d", "closed", encounter=reference("Encounter/2"), when="2026-06-19T10:00:00Z"),
    ).blocks
    assert [(block.kind, block.day, len(block.trials)) for block in found] == [
        ("pre", DAY, 2),
        ("post", DAY, 1),
        ("pre", date(2026, 6, 19), 1),
    ]
    assert [(one.number, one.observed, one.evidence) for one in found[0].trials] == [
        (1, "closed", "Observation/a"),
        (2, "not-closed", "Observation/b"),
    ]


@pytest.mark.parametrize(
    ("seen", "observed"),
    [
        ("closed", "closed"),
        ("not-closed", "not-closed"),
        ("error", "not-observable"),
        ("not-performed", "not-done"),
    ],
)
def test_what_was_observed(seen, observed):
    assert only_trial(trial("a", seen)).observed == observed


def test_conditions_of_a_trial():
    found = only_trial(
        trial(
            "a",
            "error",
            answered("reason-not-rated", "view-lost"),
            answered("posture", "chin-down"),
            answered("jaw-position", "closed"),
            component("hold-duration", valueQuantity={"value": Decimal("2.5"), "code": "s"}),
        )
    )
    assert (found.reason, found.posture, found.hold) == ("view lost", "chin-down, closed", Fraction(5, 2))


@pytest.mark.parametrize(
    ("said", "judged"),
    [
        ("closed", "closed"),
        ("not-closed", "not-closed"),
        ("unsure", "unsure"),
        ("", "not-asked"),
    ],
)
def test_the_patients_judgement_belongs_to_its_trial(said, judged):
    found = only_trial(trial("a", "closed"), judgement("a", said), judgement("b", "closed"))
    assert (found.judgement, found.judgement_evidence) == (judged, "Observation/a-own")


def test_a_trial_without_a_judgement_was_not_asked_about():
    found = only_trial(trial("a", "closed"))
    assert (found.judgement, found.judgement_evidence) == ("not-asked", "")


@pytest.mark.parametrize(("value", "before"), [(True, True), (False, False)])
def test_when_the_patient_was_asked(value, before):
    asked = judgement("a", "closed", component("judged-before-result", valueBoolean=value))
    assert only_trial(trial("a", "closed"), asked).judged_before_result is before


@pytest.mark.parametrize("status", ["entered-in-error", "cancelled"])
def test_an_observation_that_does_not_count_is_not_there(status):
    assert read(trial("a", "closed", status=status)).blocks == ()
    found = only_trial(trial("a", "closed"), judgement("a", "closed", status=status))
    assert found.judgement == "not-asked"


def test_parts_of_an_encounter_entered_in_error_are_not_there():
    encounter = {"resourceType": "Encounter", "id": "1", "status": "entered-in-error"}
    assert read(encounter, trial("a", "closed", encounter=reference("Encounter/1"))).blocks == ()


def test_a_goal_entered_in_error_is_not_there():
    assert read(goal(lifecycleStatus="entered-in-error")).goals == ()


def test_the_day_is_the_sites():
    late = trial("a", "closed", when="2026-06-06T02:00:00Z")
    assert read(late, zone=ZoneInfo("America/Denver")).blocks[0].day == DAY
    assert read(late).blocks[0].day == date(2026, 6, 6)


@pytest.mark.parametrize("when", ["2026-06", "2026", ""])
def test_an_observation_without_a_day_can_not_be_placed(when):
    assert read(trial("a", "closed", when=when)).blocks == ()


@pytest.mark.parametrize("when", ["0001-01-01", "9999-12-31T23:59:59-14:00"])
def test_the_ends_of_the_calendar_do_no_harm(when):
    assert len(read(trial("a", "closed", when=when), zone=ZoneInfo("America/Denver")).blocks) < 2


@pytest.mark.parametrize("size", ["1E999999", "1E-999999"])
def test_a_number_no_measurement_has_is_no_value(size):
    huge = {"value": Decimal(size)}
    assert read(observation("e", "eat10-total", "2026-06-05", valueQuantity=huge)).scores["eat10-total"] == ()
    assert only_goal(goal(targets=[target(value=Decimal(size))])).problems


def test_scores_are_values_with_their_source():
    found = read(
        observation("i", "oral-intake-7", "2026-06-05", valueInteger=5),
        observation("e", "eat10-total", "2026-06-05", valueInteger=13),
        observation("x", "eat10-total", "2026-06-06"),
    ).scores
    assert [(one.value, one.evidence) for one in found["oral-intake-level"]] == [(5, ("Observation/i",))]
    assert [(one.value, one.day, one.n) for one in found["eat10-total"]] == [(13, DAY, None)]


def bolus(id_, score, level="iddsi-0", manoeuvre="none"):
    return observation(
        id_,
        "bolus-swallow",
        "2026-06-05",
        answered("bolus-consistency", level),
        component("airway-invasion-8pt", valueInteger=score),
        answered("manoeuvre", manoeuvre),
    )


def test_boluses_make_studies():
    (study,) = read(
        bolus("a", 7), bolus("b", 3, "iddsi-2", "chin-down"), bolus("c", 9), bolus("d", 1, "soup")
    ).studies
    assert [(one.consistency, one.score, one.manoeuvre) for one in study.swallows] == [
        (0, 7, ""),
        (2, 3, "chin-down"),
        (0, None, ""),
    ]


def practice_day(day, done, prescribed=20):
    parts = [component("repetitions-prescribed", valueQuantity=reps(prescribed))] if prescribed else []
    plan = [reference("ServiceRequest/1")]
    return observation(f"d-{day}", "practice-day", day, *parts, valueQuantity=reps(done), basedOn=plan)


def practice_log(start, end, prescribed, *days, answer="returned"):
    return observation(
        "log",
        "practice-log",
        {"start": start, "end": end},
        component("repetitions-prescribed", valueQuantity=reps(prescribed)),
        valueCodeableConcept=concept(answer),
        hasMember=[reference(f"Observation/d-{day}") for day in days],
    )


def days_of(log):
    return [(one.day.day, one.prescribed, one.done) for one in log.days]


def test_a_log_holds_logged_and_unlogged_days():
    (log,) = read(
        practice_day("2026-06-05", 20),
        practice_day("2026-06-07", 10),
        practice_log("2026-06-05", "2026-06-07", 60, "2026-06-05", "2026-06-07"),
    ).logs
    assert (log.start, log.end, log.returned) == (DAY, date(2026, 6, 7), True)
    assert days_of(log) == [(5, 20, 20), (7, 20, 10), (6, 20, None)]
    assert log.evidence == ("Observation/log", "Observation/d-2026-06-05", "Observation/d-2026-06-07")


def test_days_off_are_not_days_without_a_log():
    (log,) = read(
        practice_day("2026-06-05", 20),
        practice_day("2026-06-06", 20),
        practice_log("2026-06-05", "2026-06-11", 60, "2026-06-05", "2026-06-06"),
    ).logs
    assert [done for *_, done in days_of(log)] == [20, 20, None]
    assert sum(one.prescribed for one in log.days) == 60


def test_a_log_that_was_not_returned_has_only_days_without():
    (log,) = read(practice_log("2026-06-05", "2026-06-18", 280, answer="not-returned")).logs
    assert not log.returned
    assert len(log.days) == 14
    assert {(one.prescribed, one.done) for one in log.days} == {(20, None)}


@pytest.mark.parametrize("end", ["9999-12-31", "2026-06-04"])
def test_a_log_of_no_real_period_is_none(end):
    assert read(practice_log("2026-06-05", end, 60)).logs == ()


def test_days_in_no_log_make_one_of_their_own():
    (log,) = read(practice_day("2026-06-06", 5), practice_day("2026-06-05", 20, prescribed=None)).logs
    assert days_of(log) == [(5, 0, 20), (6, 20, 5)]


def only_goal(*resources):
    (found,) = read(*resources).goals
    return found


def test_a_goal_with_its_criterion():
    found = only_goal(goal("g1", criterion(visits=3, minTrials=4, dips=1, step=Decimal(10))))
    assert found.reference == "Goal/g1"
    assert found.description == "Closes on request"
    assert found.goal.criterion == Criterion(3, 4, 1)
    assert (found.goal.step, found.goal.start, found.goal.due) == (10, DAY, date(2026, 9, 25))


def test_a_criterion_that_lets_visits_be_missed_over_weeks_and_without_cues():
    parts = criterion(visits=3, ofVisits=5, weeks=2)
    parts["extension"].append({"url": "withoutCues", "valueBoolean": True})
    found = only_goal(goal("g1", parts)).goal.criterion
    assert found == Criterion(3, of=5, weeks=2, without_cues=True)


def test_what_a_goal_does_not_say_is_as_usual():
    found = only_goal(goal(targets=[target("eat10-total", 10, None, None)]))
    assert found.goal.criterion == Criterion(2, 5, 2)
    assert (found.goal.step, found.goal.due) == (9, None)
    assert not found.goal.targets[0].higher_is_better


@pytest.mark.parametrize(
    ("comparator", "higher", "strict"),
    [(">=", True, False), (">", True, True), ("<=", False, False), ("<", False, True), (None, True, False)],
)
def test_comparators(comparator, higher, strict):
    (found,) = only_goal(goal(targets=[target(comparator=comparator)])).goal.targets
    assert (found.higher_is_better, found.strict) == (higher, strict)


def test_the_last_due_date_of_several_targets_counts_and_bias_is_absolute():
    bias = target("judgement-bias", Decimal("0.2"), "<=", "2026-10-01")
    found = only_goal(goal(targets=[target(), bias])).goal
    assert found.due == date(2026, 10, 1)
    assert [one.absolute for one in found.targets] == [False, True]


def test_a_target_of_a_named_consistency():
    named = target("airway-entry-group", 1, extension=[ours("goal-target-consistency", valueInteger=2)])
    assert only_goal(goal(targets=[named])).goal.targets[0].consistency == 2


@pytest.mark.parametrize(
    ("targets", "problem"),
    [
        ([], "The goal has no target, so its status is not computed."),
        (
            [target(), target("handwriting")],
            "Target 2 has no measure and value this service computes, so the status is not computed.",
        ),
        (
            [{"detailString": "as often as possible"}],
            "Target 1 has no measure and value this service computes, so the status is not computed.",
        ),
    ],
)
def test_a_goal_that_can_not_be_computed_says_why(targets, problem):
    found = only_goal(goal(targets=targets))
    assert (found.goal.targets, found.problems) == ((), (problem,))


def baseline(value, n):
    parts = [] if n is None else [component("trials-scored", valueInteger=n)]
    quantity = {"value": Decimal(str(value))}
    return observation("base", "goal-baseline", "2026-06-01", *parts, valueQuantity=quantity)


@pytest.mark.parametrize(
    ("value", "n", "exact", "k"),
    [(40, 5, 40, 2), ("66.7", 3, Fraction(200, 3), 2), (67, 3, Fraction(200, 3), 2), (70, None, 70, None)],
)
def test_a_baseline_is_exact(value, n, exact, k):
    named = ours("goal-baseline", valueReference=reference("Observation/base"))
    found = only_goal(goal("g1", named), baseline(value, n)).goal.baseline
    assert (found.value, found.k, found.n, found.day) == (exact, k, n, date(2026, 6, 1))
    assert found.evidence == ("Observation/base",)


def test_a_baseline_that_no_share_of_its_trials_explains_stays_as_written():
    named = ours("goal-baseline", valueReference=reference("Observation/base"))
    found = only_goal(goal("g1", named), baseline(55, 5)).goal.baseline
    assert (found.value, found.k) == (55, None)


def stated(id_, when, **components):
    systems = {"lifecycle_status": "http://hl7.org/fhir/goal-status", "achievement_status": ACHIEVEMENT}
    parts = [
        component(name.replace("_", "-"), valueCodeableConcept=concept(code, systems[name]))
        for name, code in components.items()
        if name in systems
    ]
    if reason := components.get("reason"):
        parts.append(component("status-reason", valueString=reason))
    return observation(id_, "goal-stated-status", when, *parts, focus=[reference("Goal/g1")])


def test_statements_are_in_time_order_and_the_goals_own_is_last_of_its_day():
    found = only_goal(
        goal(
            lifecycleStatus="on-hold",
            statusDate="2026-07-03",
            statusReason="medical change",
            achievementStatus=concept("worsening", ACHIEVEMENT),
        ),
        stated("s2", "2026-07-03", achievement_status="improving", reason="felt better"),
        stated("s1", "2026-06-05", lifecycle_status="active"),
    )
    assert found.statements == (
        Statement(DAY, "active"),
        Statement(date(2026, 7, 3), "", "improving", "felt better"),
        Statement(date(2026, 7, 3), "on-hold", "worsening", "medical change"),
    )


def test_an_undated_status_of_the_goal_is_the_last():
    found = only_goal(goal(), stated("s1", "2026-07-03", lifecycle_status="on-hold"))
    assert found.statements[-1] == Statement(None, "active")


def test_scaling():
    level = observation(
        "l1", "goal-scaling-level", "2026-07-03", valueInteger=1, focus=[reference("Goal/g1")]
    )
    marks = [
        ours("goal-scaling-baseline", valueInteger=-1),
        ours("goal-importance", valueInteger=3),
        ours("goal-difficulty", valueInteger=2),
    ]
    found = only_goal(goal("g1", *marks), level).scaling
    assert (found.baseline, found.weight) == (-1, 6)
    assert found.levels == (ScalingLevel(date(2026, 7, 3), 1, "Observation/l1"),)
    assert only_goal(goal("g1", marks[0])).scaling.weight == 1
    assert only_goal(goal()).scaling is None


def test_goals_come_in_the_order_of_their_start():
    found = read(goal("b"), goal("c", startDate="2026-01-01"), goal("a")).goals
    assert [one.reference for one in found] == ["Goal/c", "Goal/a", "Goal/b"]
