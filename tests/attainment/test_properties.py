"""What holds of the answer whatever was measured: order, the date, ranges and directions."""

from dataclasses import replace
from datetime import date, timedelta
from fractions import Fraction
from math import isfinite

from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec import structs

from service.attainment.airway import GROUPS
from service.attainment.change import apart, fisher_exact, paired
from service.attainment.criterion import Criterion
from service.attainment.cues import CueLimits
from service.attainment.detection import log_linear
from service.attainment.dose import PracticeDay, adherence, calendar
from service.attainment.goals import Goal, Target, Value
from service.attainment.inputs import CareFacts, GoalOnFile, Noted, PatientInputs, Plan, PracticeLog
from service.attainment.intervals import clopper_pearson, wilson
from service.attainment.like_for_like import compare_studies, manoeuvre_effects
from service.attainment.luck import luck
from service.attainment.patient import attain
from service.attainment.reliable_change import reliable_change
from service.attainment.status import status
from service.attainment.study import Study, Swallow, summary
from service.attainment.trials import Block, Trial, accuracy, hold_time

START = date(2026, 2, 2)
OBSERVED = ("closed", "not-closed", "not-observable", "not-done")
JUDGED = ("closed", "not-closed", "unsure", "not-asked")
CUES = ("independent", "minimal-cues", "")

few = settings(max_examples=25, deadline=None)
days = st.integers(0, 120).map(lambda number: START + timedelta(number))
counts = st.integers(1, 30).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))


def trial(number, seen, said, cue):
    return Trial(
        number, seen, judgement=said, posture=f"p{number}", cue=cue, evidence=f"Observation/{number}"
    )


trials = st.lists(
    st.tuples(st.sampled_from(OBSERVED), st.sampled_from(JUDGED), st.sampled_from(CUES)), max_size=6
).map(lambda found: tuple(trial(number, *one) for number, one in enumerate(found, 1)))
swallows = st.lists(
    st.builds(
        Swallow,
        st.sampled_from((0, 2, 4)),
        st.none() | st.sampled_from(list(GROUPS)),
        st.sampled_from((Fraction(5), Fraction(10))),
        manoeuvre=st.sampled_from(("", "chin-down")),
    ),
    max_size=8,
).map(tuple)
practised = st.lists(
    st.builds(
        PracticeDay, days, st.integers(0, 60).map(Fraction), st.none() | st.integers(0, 90).map(Fraction)
    ),
    max_size=10,
)


def unique_by_day(strategy):
    return st.lists(strategy, max_size=6, unique_by=lambda one: (one.day, getattr(one, "kind", "")))


values = unique_by_day(st.builds(Value, days, st.integers(1, 40).map(Fraction)))
blocks = unique_by_day(st.builds(Block, st.sampled_from(("pre", "post")), days, trials))
studies = unique_by_day(st.builds(Study, days, swallows))
goals = tuple(
    GoalOnFile(
        f"Goal/{measure}",
        measure,
        Goal((Target(measure, Fraction(target), higher_is_better=better),), Fraction(step), criterion, START),
    )
    for measure, target, better, step, criterion in (
        ("closure-accuracy", 80, True, 20, Criterion()),
        ("judgement-agreement", 80, True, 20, Criterion(2, of=3, weeks=2)),
        ("hold-time", 3, True, 1, Criterion(1, without_cues=True)),
        ("eat10-total", 10, False, 9, Criterion(1)),
        ("airway-entry-group", 1, False, 1, Criterion(1)),
    )
)


@st.composite
def people(draw):
    """One person with everything, each series in time order as the records give it."""

    def dated(series):
        return tuple(sorted(draw(series), key=lambda one: one.day))

    logs = draw(st.lists(st.tuples(days, practised), max_size=3, unique_by=lambda one: one[0]))
    visits = draw(st.lists(days, max_size=6, unique=True))
    plans = draw(st.lists(days, max_size=3, unique=True))
    return PatientInputs(
        goals=goals,
        blocks=dated(blocks),
        studies=dated(studies),
        scores={
            "eat10-total": dated(values),
            "oral-intake-level": dated(values),
            "body-weight": dated(values),
        },
        logs=tuple(PracticeLog(day, day + timedelta(7), True, tuple(found)) for day, found in logs),
        care=CareFacts(
            visits=tuple(sorted(visits)),
            red_flags=tuple(Noted(day, ("fever",)) for day in sorted(visits)[::2]),
            plans=tuple(Plan(f"CarePlan/{day}", day, review=day + timedelta(28)) for day in sorted(plans)),
            training_began=min(visits, default=None),
        ),
    )


@few
@given(people(), days, st.randoms())
def test_the_order_of_what_was_read_does_not_matter(person, as_of, chance):
    def mixed(found):
        return tuple(chance.sample(found, len(found)))

    other = replace(
        person,
        goals=mixed(person.goals),
        blocks=mixed(person.blocks),
        studies=mixed(person.studies),
        logs=mixed(person.logs),
    )
    assert attain(other, as_of) == attain(person, as_of)


@few
@given(people(), days)
def test_what_is_later_than_the_date_is_not_seen(person, as_of):
    def seen(found):
        return tuple(one for one in found if one.day <= as_of)

    care = person.care
    past = replace(
        person,
        blocks=seen(person.blocks),
        studies=seen(person.studies),
        scores={measure: seen(found) for measure, found in person.scores.items()},
        logs=tuple(log for log in person.logs if log.end <= as_of),
        care=replace(
            care,
            visits=tuple(day for day in care.visits if day <= as_of),
            red_flags=seen(care.red_flags),
            plans=tuple(plan for plan in care.plans if plan.start <= as_of),
            training_began=care.training_began
            if care.training_began and care.training_began <= as_of
            else None,
        ),
    )
    assert attain(past, as_of) == attain(person, as_of)


@few
@given(people(), days)
def test_numbers_stay_in_their_ranges(person, as_of):
    found = attain(person, as_of)
    for goal in found.goals:
        if goal.interval is not None:
            assert 0 <= goal.interval.low <= goal.status.latest.value <= goal.interval.high + 1e-9
        if goal.overlap is not None and goal.overlap.nap is not None:
            assert 0 <= goal.overlap.nap <= 1
            assert -1 <= goal.overlap.tau <= 1
        assert goal.status.progress.so_far <= len(goal.status.values)
        assert (goal.status.code is None) == (not goal.status.values)
    for visit in found.visits:
        assert sum(visit.cue_levels.values()) == len(visit.probe.trials)
        assert visit.by_posture is None or visit.apart is None
        assert visit.acquisition is None or -1 <= visit.acquisition <= 1
    for study in found.studies:
        rated = sum(one.score is not None for one in study.study.swallows)
        assert sum(one.n for one in study.by_consistency.values()) == rated
    assert found.phases[0].label == "baseline"
    assert [one.until for one in found.phases[:-1]] == [one.after for one in found.phases[1:]]


@few
@given(people(), days)
def test_turning_a_cue_off_takes_away_only_that_cue(person, as_of):
    usual = attain(person, as_of).cues
    quiet = attain(person, as_of, CueLimits(eat10_rise=None)).cues
    assert quiet == tuple(cue for cue in usual if cue.code != "eat10-rise")
    assert len({(cue.code, cue.sentence) for cue in usual}) == len(usual)


@given(counts)
def test_an_exact_interval_holds_the_share_and_shrinks_with_more_trials(count):
    k, n = count
    for interval in (wilson, clopper_pearson):
        small, large = interval(k, n), interval(4 * k, 4 * n)
        assert 0 <= small.low <= k / n + 1e-12
        assert k / n - 1e-12 <= small.high <= 1
        assert large.high - large.low < small.high - small.low


@given(counts, counts)
def test_fisher_does_not_mind_which_side_comes_first(one, two):
    assert fisher_exact(*one, *two) == fisher_exact(*two, *one)
    assert 0 < fisher_exact(*one, *two) <= 1
    assert fisher_exact(*one, *one) == 1
    found = apart(*one, *two)
    assert (found.p is None) == (min(one[1], two[1]) < 6)
    assert found.difference.interval.low <= found.difference.difference <= found.difference.interval.high


@given(*[st.integers(0, 9)] * 4)
def test_swapping_gains_and_losses_turns_a_paired_change_around(both, gained, lost, neither):
    there, back = paired(both, gained, lost, neither), paired(both, lost, gained, neither)
    assert there.exact_p == back.exact_p
    if there.n:
        assert there.difference.difference == -back.difference.difference


@given(st.integers(0, 12), st.integers(0, 12), st.integers(1, 12), st.integers(1, 12))
def test_hits_raise_and_false_alarms_lower_the_distance(hits, alarms, signals, noise):
    hits, alarms = min(hits, signals), min(alarms, noise)
    _, _, d_prime, criterion, _ = log_linear(hits, alarms, signals, noise)
    assert isfinite(d_prime)
    assert isfinite(criterion)
    if hits < signals:
        assert log_linear(hits + 1, alarms, signals, noise)[2] > d_prime
    if alarms < noise:
        assert log_linear(hits, alarms + 1, signals, noise)[2] < d_prime


@given(st.fractions(0, 1, max_denominator=20), st.integers(1, 3), st.integers(0, 4))
def test_luck_grows_with_the_rate_and_with_visits(rate, run, more):
    found = luck(rate, Fraction(4, 5), 5, visits_in_a_row=run, visits=run + more)
    longer = luck(rate, Fraction(4, 5), 5, visits_in_a_row=run, visits=run + more + 1)
    better = luck((1 + rate) / 2, Fraction(4, 5), 5, visits_in_a_row=run, visits=run + more)
    assert 0 <= found.run <= found.within <= longer.within <= 1
    assert found.within <= better.within


@given(trials)
def test_bounds_hold_the_share_of_trials(found):
    share = accuracy(found)
    assert share.n + sum(share.left_out.values()) == len(found)
    if share.share is not None:
        assert share.bounds[0] <= share.share <= share.bounds[1]
    held = hold_time(structs.replace(one, hold=Fraction(one.number)) for one in found)
    assert held.n + sum(held.left_out.values()) == len(found)


@given(practised)
def test_both_readings_of_practice_are_in_order(found):
    numbers = adherence(found)
    if numbers.unlogged_as_zero is not None:
        assert 0 <= numbers.unlogged_as_zero <= min(1, numbers.raw)
        if numbers.of_logged_days is not None:
            assert numbers.unlogged_as_zero <= numbers.of_logged_days <= 1
    assert sum(day.prescribed for day in calendar(found)) == numbers.prescribed
    assert sorted({day.day for day in found}) == [day.day for day in calendar(found)]


@given(swallows, st.randoms())
def test_a_study_is_counted_in_any_order_and_never_averaged(found, chance):
    counted = summary(found)
    assert counted == summary(chance.sample(found, len(found)))
    if counted is not None:
        scores = [one.score for one in found if one.score is not None]
        assert {counted.worst, counted.lower_median, *counted.modes} <= set(scores)
        assert sum(counted.groups.values()) == sum(counted.scores.values()) == counted.n
        assert counted.silent <= counted.aspirated <= counted.entered


@given(swallows, swallows)
def test_comparing_studies_the_other_way_round_turns_better_to_worse(one, two):
    turned = {"better": "worse", "worse": "better", "same": "same"}
    first, second = Study(START, tuple(one)), Study(START, tuple(two))
    there, back = compare_studies(first, second), compare_studies(second, first)
    assert [turned[pair.effect] for pair in there.pairs] == [pair.effect for pair in back.pairs]
    assert there.left_out == back.left_out
    assert bool(there.reason) == (not there.pairs)
    for effect in manoeuvre_effects(one):
        assert (effect.effect == "no comparison") == (effect.first is None)


@given(st.floats(0, 40), st.floats(0, 40))
def test_reliable_change_has_the_sign_of_the_change(before, after):
    found = reliable_change("eat10-total", before, after)
    assert found.index * (after - before) >= 0
    assert found.reliable == (abs(after - before) > found.threshold)


@given(st.lists(st.integers(0, 5), max_size=10), st.integers(0, 60))
def test_a_better_score_never_makes_an_unmet_goal_worse(closed, day):
    goal = Goal((Target("closure-accuracy", Fraction(80)),), Fraction(20), start=START)
    series = [Value(START + timedelta(7 * n), Fraction(20 * k), k, 5) for n, k in enumerate(closed)]
    as_of = START + timedelta(7 * len(closed) + day)
    found = status(goal, [series], as_of)
    if series and found.code == "improving":
        raised = [*series[:-1], replace(series[-1], value=Fraction(100), k=5)]
        assert status(goal, [raised], as_of).code in ("improving", "achieved", "sustaining")
