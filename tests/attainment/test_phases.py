from datetime import date, timedelta
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import kendalltau, mannwhitneyu

from service.attainment.goals import Target, Value
from service.attainment.inputs import CareFacts, Plan
from service.attainment.phases import Phase, baseline_overlap, overlap
from service.attainment.phases import phases as phases_of

phases = st.lists(st.integers(0, 10), min_size=3, max_size=8)


def compared(a, b, **more):
    return overlap([Fraction(one) for one in a], [Fraction(one) for one in b], **more)


@pytest.mark.parametrize(
    ("a", "b", "nap", "tau_u"),
    [
        pytest.param(
            (20, 20, 26, 25, 22, 23),
            (28, 25, 24, 27, 30, 30, 29),
            Fraction(77, 84),
            Fraction(31, 42),
            marks=pytest.mark.published("SingleCaseES and scda (R): NAP 38.5/42, Tau 35/42"),
        ),
        pytest.param(
            (3, 3, 4, 5),
            (4, 5, 6, 7, 7),
            Fraction(18, 20),
            Fraction(11, 20),
            marks=pytest.mark.published(
                "SingleCaseES, test-parker-vannest-davis-2011: Tau 16/20, Tau-U 11/20"
            ),
        ),
        pytest.param(
            (1, 2, 3, 4, 5),
            (6, 7, 8, 9, 10),
            Fraction(1),
            Fraction(3, 5),
            marks=pytest.mark.published("SingleCaseES, test-tarlow-2017: Tau 1, Tau-U 0.6"),
        ),
        ((2, 3, 5, 3), (4, 5, 5, 7, 6), Fraction(9, 10), Fraction(13, 20)),
    ],
)
def test_overlap_of_two_phases(a, b, nap, tau_u):
    found = compared(a, b)
    assert (found.nap, found.tau, found.tau_u) == (nap, 2 * nap - 1, tau_u)


@pytest.mark.published("SingleCaseES (R): standard error of NAP 0.07739185")
def test_the_standard_error_of_a_published_example():
    found = compared((20, 20, 26, 25, 22, 23), (28, 25, 24, 27, 30, 30, 29))
    assert found.error == pytest.approx(0.07739185, abs=5e-9)
    assert found.standard == "meets"


@pytest.mark.published("scda (R) and SingleCaseES (R): PND 5/7, PEM 7/7")
def test_values_beyond_the_best_and_beyond_the_median_of_a_published_example():
    found = compared((20, 20, 26, 25, 22, 23), (28, 25, 24, 27, 30, 30, 29))
    assert (found.pnd, found.pem) == (Fraction(5, 7), 1)


def test_a_value_at_the_best_is_not_beyond_it_and_one_at_the_median_is_half():
    found = compared((20, 40, 60), (40, 60, 20, 80))
    assert (found.pnd, found.pem) == (Fraction(1, 4), Fraction(5, 8))


@pytest.mark.parametrize(
    ("a", "b", "tau_u_both"),
    [
        ((20, 20, 26, 25, 22, 23), (28, 25, 24, 27, 30, 30, 29), Fraction(39, 42)),
        ((2, 3, 5, 3), (4, 5, 5, 7, 6), Fraction(1)),
        ((20, 20, 40), (60, 80, 80, 100), Fraction(5, 4)),
    ],
)
def test_with_the_trend_in_b_added_tau_u_can_exceed_1(a, b, tau_u_both):
    found = compared(a, b)
    assert found.tau_u_both == tau_u_both
    assert "can exceed 1" in found.method


@pytest.mark.published("scipy kendalltau: S of all values is S of the phases plus S between them")
@given(a=phases, b=phases)
def test_the_parts_of_tau_u_are_those_of_one_long_series(a, b):
    found = compared(a, b)
    values = [*a, *b]
    whole = kendalltau(range(len(values)), values, variant="c").statistic
    levels = min(len(values), len(set(values)))
    if levels > 1:
        s = whole * len(values) ** 2 * (levels - 1) / levels / 2
        s_a = float(found.tau - found.tau_u) * len(a) * len(b)
        assert float(found.tau_u_both) * len(a) * len(b) == pytest.approx(s - 2 * s_a, abs=1e-9)


def test_lower_may_be_better():
    found = compared((8, 8, 6), (6, 3, 2, 2), higher_is_better=False)
    assert (found.nap, found.tau, found.tau_u) == (Fraction(23, 24), Fraction(11, 12), Fraction(3, 4))
    assert (found.tau_u_both, found.pnd, found.pem) == (Fraction(7, 6), Fraction(3, 4), 1)
    assert found.standard == "with reservations"


def test_complete_separation_is_said_and_has_no_error():
    found = compared((20, 20, 40), (60, 80, 80, 100))
    assert (found.nap, found.error, found.reason) == (1, None, "complete separation: no interval")


@pytest.mark.parametrize(("a", "b"), [((20,), (60, 80, 80)), ((20, 20, 40), (60, 80)), ((), ())])
def test_a_visit_or_two_are_no_phase(a, b):
    found = compared(a, b)
    numbers = (found.nap, found.tau, found.tau_u, found.tau_u_both, found.pnd, found.pem, found.error)
    assert (found.standard, *numbers) == ("no phase", *[None] * 7)
    assert found.reason == "a phase needs 3 values; phase statistics not computed"


@pytest.mark.published("scipy mannwhitneyu: U is NAP times the number of pairs")
@given(a=phases, b=phases)
def test_pairs_are_those_of_the_rank_sum_test(a, b):
    found = compared(a, b)
    assert float(found.nap) * len(a) * len(b) == pytest.approx(mannwhitneyu(b, a).statistic)
    assert found.nap + compared(a, b, higher_is_better=False).nap == 1


DAY = date(2026, 6, 5)


def after(days):
    return DAY + timedelta(days)


def weekly(*numbers):
    return [Value(after(7 * week), Fraction(number)) for week, number in enumerate(numbers)]


def test_a_phase_ends_with_the_day_on_which_something_begins():
    care = CareFacts(
        training_began=DAY,
        plans=(
            Plan("CarePlan/1", DAY),
            Plan("CarePlan/2", after(21)),
            Plan("CarePlan/3", after(35), "on-hold"),
        ),
    )
    assert phases_of(care, after(60)) == (
        Phase("baseline", None, DAY),
        Phase("training and home plan", DAY, after(21), ("CarePlan/1",)),
        Phase("home plan", after(21), after(35), ("CarePlan/2",)),
        Phase("home plan, on-hold", after(35), None, ("CarePlan/3",)),
    )


def test_what_begins_later_is_not_seen():
    care = CareFacts(training_began=after(30), plans=(Plan("CarePlan/1", after(14)),))
    assert [one.label for one in phases_of(care, after(20))] == ["baseline", "home plan"]
    assert phases_of(care, DAY) == (Phase("baseline", None, None),)


def test_the_baseline_phase_is_held_against_all_that_follows():
    found = phases_of(CareFacts(training_began=after(14)), after(90))
    overlapped = baseline_overlap(
        weekly(20, 20, 40, 60, 80, 80, 100), Target("closure-accuracy", Fraction(80)), found
    )
    assert (overlapped.m, overlapped.n, overlapped.nap, overlapped.tau_u) == (3, 4, 1, Fraction(5, 6))


def test_lower_is_better_where_the_target_says_so():
    found = phases_of(CareFacts(training_began=after(14)), after(90))
    target = Target("airway-entry-group", Fraction(1), higher_is_better=False)
    assert baseline_overlap(weekly(4, 4, 3, 3, 2, 1, 1), target, found).nap == Fraction(23, 24)


@pytest.mark.parametrize("began", [DAY, after(7), None])
def test_without_a_baseline_phase_nothing_is_computed(began):
    found = phases_of(CareFacts(training_began=began), after(90))
    values = weekly(20, 40) if began is None else weekly(20, 40, 60, 80, 80, 80)
    overlapped = baseline_overlap(values, Target("closure-accuracy", Fraction(80)), found)
    assert (overlapped.nap, overlapped.reason) == (None, "no baseline phase, phase statistics not computed")
    assert overlapped.m + overlapped.n == len(values)
