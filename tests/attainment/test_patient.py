from dataclasses import replace
from datetime import date, timedelta
from fractions import Fraction

import pytest
from msgspec import structs

from service.attainment.criterion import Criterion
from service.attainment.dose import PracticeDay
from service.attainment.goals import Goal, Target, Value
from service.attainment.inputs import (
    ExcludedVisit,
    GoalOnFile,
    PatientInputs,
    PracticeLog,
    ScalingLevel,
    ScalingPlan,
    Statement,
)
from service.attainment.patient import attain
from service.attainment.study import Study, Swallow
from service.attainment.trials import Block, Trial

START = date(2026, 6, 5)
SEEN = {"1": "closed", "0": "not-closed", "x": "not-observable"}
SAID = {"1": "closed", "0": "not-closed", "-": "not-asked"}


def block(day, observed, own, kind="pre"):
    return Block(
        kind,
        day,
        tuple(
            Trial(
                number,
                SEEN[seen],
                judgement=SAID[said],
                hold=Fraction(number),
                evidence=f"{day}/{kind}/{number}",
                judgement_evidence=f"{day}/{kind}/{number}/own",
            )
            for number, (seen, said) in enumerate(zip(observed, own, strict=True), 1)
        ),
    )


def week(number):
    return START + timedelta(7 * number)


def on_file(measure="closure-accuracy", target=80, *, statements=(), scaling=None, problems=(), **more):
    more = {"start": START, "due": week(20), "step": Fraction(20), **more}
    consistency = more.pop("consistency", None)
    higher = more.pop("higher_is_better", True)
    wanted = Target(measure, Fraction(target), higher_is_better=higher, consistency=consistency)
    return GoalOnFile(
        f"Goal/{measure}", f"goal about {measure}", Goal((wanted,), **more), statements, scaling, problems
    )


def one_goal(goal, **inputs):
    as_of = inputs.pop("as_of", week(10))
    return attain(PatientInputs(goals=(goal,), **inputs), as_of).goals[0]


BLOCKS = (
    block(week(0), "01010", "01110"),
    block(week(0), "11111", "11111", "post"),
    block(week(1), "1101x", "1101-"),
    block(week(1), "11011", "11011", "post"),
    block(week(2), "11011", "11011"),
)


def test_only_the_probe_counts_for_a_goal():
    found = one_goal(on_file(), blocks=BLOCKS)
    assert [(value.k, value.n) for value in found.status.values] == [(2, 5), (3, 4), (4, 5)]
    assert found.status.code == "improving"


def test_the_latest_value_has_its_interval_in_percent():
    found = one_goal(on_file(), blocks=BLOCKS)
    assert (found.interval.low, found.interval.high) == pytest.approx((37.55, 96.38), abs=0.005)


def test_the_date_hides_what_came_later():
    found = one_goal(on_file(), blocks=BLOCKS, as_of=week(1))
    assert found.status.latest.day == week(1)
    assert [reading.day for reading in found.readings] == [week(0), week(1)]


def test_a_goal_that_starts_after_the_date_is_not_answered():
    assert attain(PatientInputs(goals=(on_file(),)), START - timedelta(1)).goals == ()


def test_evidence_names_the_scored_trials_of_every_value():
    found = one_goal(on_file(), blocks=BLOCKS, as_of=week(1))
    assert len(found.evidence) == 9
    assert f"{week(1)}/pre/5" not in found.evidence
    assert not any("post" in source for source in found.evidence)


def test_evidence_of_own_judgement_names_both_sides_and_a_recorded_baseline_comes_first():
    baseline = Value(START, Fraction(40), 2, 5, ("baseline",))
    found = one_goal(on_file("judgement-agreement", baseline=baseline), blocks=BLOCKS[:1])
    assert found.evidence[:3] == ("baseline", f"{START}/pre/1", f"{START}/pre/1/own")


def test_own_judgement_goals():
    agreement = one_goal(on_file("judgement-agreement"), blocks=BLOCKS)
    assert [(value.k, value.n) for value in agreement.status.values] == [(4, 5), (4, 4), (5, 5)]
    bias = one_goal(on_file("judgement-bias", target=0, higher_is_better=False), blocks=BLOCKS)
    assert bias.status.latest.value == 0
    assert bias.interval is None


def test_hold_time_is_the_median_of_closed_trials():
    found = one_goal(on_file("hold-time", 5), blocks=BLOCKS)
    assert [value.value for value in found.status.values] == [3, 2, 3]


def test_a_visit_without_a_value_is_a_gap():
    blocks = (*BLOCKS, block(week(3), "11000", "-----"))
    found = one_goal(on_file("judgement-agreement"), blocks=blocks)
    last = found.readings[-1]
    assert (last.day, last.value, last.why, last.counts) == (week(3), None, "not measured", False)


def test_a_short_visit_does_not_count_for_the_criterion():
    readings = one_goal(on_file(), blocks=BLOCKS).readings
    assert [reading.counts for reading in readings] == [True, False, True]
    assert readings[1].why == "fewer than 5 scored trials: the visit does not count for the criterion"
    assert [reading.at_target for reading in readings] == [False, False, True]


def test_scores_and_airway_groups():
    scores = {"oral-intake-level": (Value(week(0), Fraction(4)), Value(week(1), Fraction(6)))}
    assert one_goal(on_file("oral-intake-level", 6), scores=scores).status.latest.value == 6
    studies = (
        Study(week(0), (Swallow(0, 7), Swallow(0, 3, manoeuvre="chin-down"), Swallow(2, 8))),
        Study(week(1), (Swallow(0, 4), Swallow(0, None))),
    )
    goal = on_file("airway-entry-group", 1, higher_is_better=False, consistency=0)
    assert [value.value for value in one_goal(goal, studies=studies).status.values] == [3, 1]


def test_a_measure_that_is_not_known_is_not_measured():
    found = one_goal(on_file("handwriting", problems=("not a measure",)), blocks=BLOCKS)
    assert (found.status.code, found.problems) == (None, ("not a measure",))


def test_a_goal_without_targets_is_still_answered():
    goal = GoalOnFile("Goal/1", "walk", Goal((), Fraction(1)))
    found = one_goal(goal, blocks=BLOCKS)
    assert (found.measure, found.status.code, found.readings) == ("", None, ())


def practice(number, done, *, returned=True):
    days = tuple(
        PracticeDay(week(number) + timedelta(day), Fraction(20), None if reps is None else Fraction(reps))
        for day, reps in enumerate(done)
    )
    return PracticeLog(days[0].day, days[-1].day, returned, days, ("log",))


def test_practice_has_both_readings():
    logs = (practice(0, [20, 10]), practice(1, [None, None], returned=False))
    found = attain(PatientInputs(logs=logs), week(10))
    assert [part.adherence.unlogged_as_zero for part in found.practice] == [Fraction(3, 4), 0]
    assert found.practice_all.of_logged_days == Fraction(3, 4)
    assert found.practice_all.unlogged_as_zero == Fraction(3, 8)


def test_a_practice_goal_takes_the_less_kind_reading_and_no_log_is_no_value():
    logs = (practice(0, [20, None]), practice(1, [None, None], returned=False))
    found = one_goal(on_file("practice-adherence"), logs=logs)
    assert [value.value for value in found.status.values] == [50]


def test_blocks_after_training_stand_beside_the_probe():
    first, second, third = attain(PatientInputs(blocks=BLOCKS), week(10)).visits
    assert first.after_closure.share == 1
    assert first.acquisition == Fraction(3, 5)
    assert first.retention is None
    assert second.retention == Fraction(3, 4) - 1
    assert third.after is None
    assert third.acquisition is None


def test_blocks_are_paired_by_posture_when_each_occurs_once():
    def postures(of):
        trials = tuple(Trial(trial.number, trial.observed, posture=f"p{trial.number}") for trial in of.trials)
        return Block(of.kind, of.day, trials)

    paired = attain(PatientInputs(blocks=tuple(map(postures, BLOCKS[:2]))), START).visits[0].by_posture
    assert (paired.both, paired.gained, paired.lost, paired.neither) == (2, 3, 0, 0)
    assert attain(PatientInputs(blocks=BLOCKS), START).visits[0].by_posture is None


def test_own_judgement_is_pooled_over_probes():
    found = attain(PatientInputs(blocks=BLOCKS), week(10)).own_pooled
    assert found.n == 14
    assert found.left_out == {"closure not scored": 1}


STATEMENTS = (
    Statement(START, "active", "in-progress"),
    Statement(week(3), "on-hold", "", "medical change"),
)


def test_the_newest_statement_of_each_kind_counts():
    found = one_goal(on_file(statements=STATEMENTS), blocks=BLOCKS)
    assert (found.stated.lifecycle, found.stated.achievement) == ("on-hold", "in-progress")
    assert (found.stated.day, found.stated.reason) == (week(3), "medical change")
    assert found.status.goal.lifecycle == "on-hold"


def test_later_statements_are_not_seen():
    found = one_goal(on_file(statements=STATEMENTS), as_of=week(2), blocks=BLOCKS)
    assert (found.stated.lifecycle, found.stated.reason) == ("active", "")
    only_later = one_goal(on_file(statements=STATEMENTS[1:]), as_of=week(2), blocks=BLOCKS)
    assert (only_later.stated.lifecycle, only_later.stated.day) == ("active", None)


def scaled(*levels, weight=1):
    return ScalingPlan(-1, weight, tuple(ScalingLevel(week(number), level) for number, level in levels))


def test_scaling_takes_the_newest_level_stated_by_the_date():
    goal = on_file(scaling=scaled((1, 0), (4, 2)))
    early = attain(PatientInputs(goals=(goal,)), week(2)).scaling
    late = attain(PatientInputs(goals=(goal,)), week(5)).scaling
    assert (early.start, early.now, late.now) == pytest.approx((40, 50, 70))


def test_scaling_that_cannot_be_scored_is_said():
    found = attain(PatientInputs(goals=(on_file(scaling=scaled((1, 0), weight=0)),)), week(2))
    assert (found.scaling, found.scaling_problem) == (None, "At least one goal needs a weight above 0.")


def test_days_left_until_due():
    assert one_goal(on_file()).days_left == 70
    assert one_goal(on_file(due=None)).days_left is None


def shares(*counts, n=5):
    """Probes a week apart with this many closed trials."""
    trials = [
        tuple(Trial(number, "closed" if number <= k else "not-closed") for number in range(1, n + 1))
        for k in counts
    ]
    return tuple(Block("pre", week(place), one) for place, one in enumerate(trials))


def with_goal(target, step, **more):
    goal = Goal((target,), Fraction(step), **more)
    return GoalOnFile("Goal/1", "A goal", goal, (Statement(None, "active"),))


def test_luck_is_that_of_a_person_one_step_below_the_target():
    on_file = with_goal(Target("closure-accuracy", Fraction(80)), 20)
    (found,) = attain(PatientInputs((on_file,), shares(1, 2, 2, 3, 4, 4)), week(10)).goals
    assert (found.luck.rate, found.luck.visits) == (Fraction(3, 5), 6)
    assert float(found.luck.within) == pytest.approx(0.3919, abs=5e-5)
    (early,) = attain(PatientInputs((on_file,), shares(1)), week(10)).goals
    assert early.luck.visits == 2


@pytest.mark.parametrize(
    ("target", "step", "criterion"),
    [
        (Target("hold-time", Fraction(5)), 1, Criterion()),
        (Target("closure-accuracy", Fraction(80), strict=True), 20, Criterion()),
        (Target("closure-accuracy", Fraction(20)), 20, Criterion()),
        (Target("closure-accuracy", Fraction(80)), 20, Criterion(visits=2_147_483_647)),
        (Target("closure-accuracy", Fraction(80)), 20, Criterion(min_trials=2_147_483_647)),
        (Target("closure-accuracy", Fraction("80.000000000001")), 20, Criterion()),
    ],
)
def test_no_luck_is_worked_out_where_it_has_no_meaning_or_no_bound(target, step, criterion):
    on_file = with_goal(target, step, criterion=criterion)
    (found,) = attain(PatientInputs((on_file,), shares(1, 2)), week(10)).goals
    assert found.luck is None


def test_a_score_is_judged_by_its_reliability():
    on_file = with_goal(Target("eat10-total", Fraction(10), higher_is_better=False), 9)
    totals = tuple(Value(week(place), Fraction(total)) for place, total in enumerate((22, 19, 11)))
    inputs = PatientInputs((on_file,), scores={"eat10-total": totals})
    (found,) = attain(inputs, week(10)).goals
    assert (round(found.reliable_change.index, 2), found.reliable_change.reliable) == (-2.41, True)
    (first,) = attain(inputs, week(0)).goals
    assert first.reliable_change is None


def test_detection_waits_for_five_trials_of_each_kind():
    assert attain(PatientInputs(), week(10)).own_detection.d_prime is None


def postured(of):
    trials = tuple(structs.replace(trial, posture=f"p{trial.number}") for trial in of.trials)
    return replace(of, trials=trials)


def test_blocks_that_cant_be_paired_are_compared_as_separate_trials():
    first, second, third = attain(PatientInputs(blocks=BLOCKS), week(10)).visits
    assert (first.apart.before, first.apart.after, first.apart.p) == ((2, 5), (5, 5), None)
    assert (second.apart.before, third.apart) == ((3, 4), None)
    paired = attain(PatientInputs(blocks=tuple(map(postured, BLOCKS))), week(10)).visits[0]
    assert (paired.by_posture.gained, paired.apart) == (3, None)


def test_change_since_the_baseline_is_paired_where_the_baseline_is_a_probe():
    found = one_goal(on_file(), blocks=tuple(map(postured, BLOCKS))).change
    assert (found.before.day, found.after.day, found.difference) == (week(0), week(2), 40)
    assert (found.by_posture.both, found.by_posture.gained, found.by_posture.lost) == (2, 2, 0)
    assert (found.by_posture.p, found.apart) == (None, None)


def test_agreement_is_paired_by_whether_the_judgement_was_right():
    found = one_goal(on_file("judgement-agreement"), blocks=tuple(map(postured, BLOCKS))).change
    assert (found.by_posture.both, found.by_posture.gained, found.by_posture.lost) == (4, 1, 0)


def test_a_recorded_baseline_from_elsewhere_is_not_paired():
    baseline = Value(week(0), Fraction(20), 1, 5)
    found = one_goal(on_file(baseline=baseline), blocks=tuple(map(postured, BLOCKS))).change
    assert (found.by_posture, found.apart.before, found.apart.after) == (None, (1, 5), (4, 5))
    early = replace(baseline, day=week(-1))
    assert one_goal(on_file(baseline=early), blocks=BLOCKS).change.apart.before == (1, 5)


def test_change_of_a_score_has_no_trials():
    scores = {"oral-intake-level": (Value(week(0), Fraction(4)), Value(week(2), Fraction(6)))}
    found = one_goal(on_file("oral-intake-level", 6), scores=scores).change
    assert (found.difference, found.by_posture, found.apart) == (2, None, None)


def test_without_a_later_value_there_is_no_change():
    assert one_goal(on_file(), blocks=BLOCKS, as_of=week(0)).change is None
    assert one_goal(on_file()).change is None


def test_every_score_is_answered_with_or_without_a_goal():
    scores = {
        "eat10-total": tuple(Value(week(n), Fraction(one)) for n, one in enumerate((22, 19, 15, 11))),
        "body-weight": (Value(week(1), Fraction(145, 2)),),
        "oral-intake-level": (),
    }
    eat10, weight = attain(PatientInputs(scores=scores), week(2)).scores
    assert (eat10.measure, len(eat10.values), eat10.reliable_change.reliable) == ("eat10-total", 3, False)
    assert (weight.measure, weight.unit, weight.reliable_change) == ("body-weight", "kg", None)
    last = attain(PatientInputs(scores=scores), week(9)).scores[0].reliable_change
    assert (round(last.index, 2), last.reliable, last.approximate) == (-2.41, True, True)


def test_an_excluded_visit_is_a_reading_without_a_value_and_says_why():
    excluded = (ExcludedVisit("Encounter/1", week(1), "fever", ("Observation/1",)),)
    blocks = tuple(one for one in BLOCKS if one.day != week(1))
    found = attain(PatientInputs((on_file(),), blocks, excluded=excluded), week(10))
    assert [(reading.day, reading.why) for reading in found.goals[0].readings] == [
        (week(0), ""),
        (week(1), "visit excluded: fever"),
        (week(2), ""),
    ]
    assert found.excluded == excluded
    assert attain(PatientInputs((on_file(),), blocks, excluded=excluded), week(0)).excluded == ()


def cued(of, *levels):
    trials = zip(of.trials, levels, strict=True)
    return replace(of, trials=tuple(structs.replace(trial, cue=level) for trial, level in trials))


FULL = tuple(block(week(n), "11111", "11111") for n in range(4))
ALONE, HELPED = ("independent",) * 5, ("independent",) * 4 + ("minimal-cues",)


@pytest.mark.parametrize(
    ("levels", "attained"),
    [
        ((ALONE, ALONE), week(1)),
        ((ALONE, HELPED, ALONE), None),
        ((HELPED, ALONE, ALONE), week(2)),
        ((ALONE, ("",) * 5, ALONE), week(2)),
        ((("",) * 5, ("",) * 5), None),
    ],
)
def test_a_criterion_without_cues(levels, attained):
    blocks = tuple(cued(one, *level) for one, level in zip(FULL, levels, strict=False))
    found = one_goal(on_file(criterion=Criterion(without_cues=True)), blocks=blocks)
    assert found.status.progress.attained == attained
    plain = one_goal(on_file(), blocks=blocks)
    assert plain.status.progress.attained == week(1)


def test_trials_with_cues_are_not_at_target_and_unknown_cues_are_said():
    blocks = (cued(FULL[0], *HELPED), FULL[1])
    first, second = one_goal(on_file(criterion=Criterion(without_cues=True)), blocks=blocks).readings
    assert (first.at_target, first.counts) == (False, True)
    assert (second.at_target, second.counts) == (True, False)
    assert second.why == "cue level not recorded: the visit does not count for the criterion"


def test_a_score_needs_no_cue_level():
    scores = {"oral-intake-level": tuple(Value(week(n), Fraction(6)) for n in range(2))}
    goal = on_file("oral-intake-level", 6, criterion=Criterion(without_cues=True))
    assert one_goal(goal, scores=scores).status.code == "achieved"


def test_cue_levels_of_a_probe_are_counted():
    (found,) = attain(PatientInputs(blocks=(cued(FULL[0], *HELPED),)), week(1)).visits
    assert found.cue_levels == {"independent": 4, "minimal-cues": 1}


def test_no_luck_is_told_for_a_criterion_that_is_no_plain_run():
    blocks = tuple(block(week(n), "11000", "11000") for n in range(3))
    assert one_goal(on_file(), blocks=blocks).luck is not None
    assert one_goal(on_file(criterion=Criterion(2, of=3)), blocks=blocks).luck is None
    assert one_goal(on_file(criterion=Criterion(2, weeks=2)), blocks=blocks).luck is None
