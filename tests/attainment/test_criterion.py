from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.attainment.criterion import CountedVisit, Criterion, progress

START = date(2026, 3, 10)


def walk(pattern, criterion=Criterion(), closed=None):  # noqa: B008 - frozen
    """Weekly visits: + met, - below."""
    closed = closed or {"+": 4, "-": 2}
    visits = [
        CountedVisit(START + timedelta(7 * week), mark == "+", closed[mark], 5)
        for week, mark in enumerate(pattern)
    ]
    return progress(visits, criterion)


def week(number):
    return START + timedelta(7 * number)


def test_a_run_pools_its_trials():
    found = walk("-++").run
    assert (found.start, found.end, found.days, found.visits) == (week(1), week(2), 7, 2)
    assert (found.k, found.n) == (8, 10)
    assert (found.interval.low, found.interval.high) == pytest.approx((0.4902, 0.9433), abs=5e-5)


def test_a_run_of_a_measure_without_trials_has_no_interval():
    found = progress([CountedVisit(START, met=True), CountedVisit(week(1), met=True)], Criterion()).run
    assert (found.k, found.n, found.interval) == (None, None, None)


@pytest.mark.parametrize(
    ("pattern", "met", "attained", "regressed"),
    [
        ("", False, None, None),
        ("+", False, None, None),
        ("++", True, 1, None),
        ("+-+", False, None, None),
        ("++-", True, 1, None),
        ("++-+-", True, 1, None),
        ("++--", False, 1, 3),
        ("++--+", False, 1, 3),
        ("++--++", True, 5, 3),
    ],
)
def test_two_in_a_row_attain_and_two_dips_in_a_row_reopen(pattern, met, attained, regressed):
    found = walk(pattern)
    assert found.met == met
    assert found.attained == (None if attained is None else week(attained))
    assert found.regressed == (None if regressed is None else week(regressed))


@pytest.mark.parametrize(
    ("pattern", "criterion", "attained"),
    [
        ("+-+", Criterion(2, of=3), 2),
        ("+--+", Criterion(2, of=3), None),
        ("+-+-+", Criterion(3, of=5), 4),
        ("-+-+-+", Criterion(3, of=5), 5),
        ("++", Criterion(2, of=4), 1),
        ("+++", Criterion(3, of=3), 2),
        ("+-+", Criterion(3, of=3), None),
    ],
)
def test_p_of_q_lets_visits_be_missed(pattern, criterion, attained):
    found = walk(pattern, criterion)
    assert found.attained == (None if attained is None else week(attained))
    if found.run:
        assert found.run.at_target == criterion.visits
        assert found.run.visits <= criterion.of


def test_visits_missed_within_a_run_are_pooled_with_it():
    run = walk("+-+", Criterion(2, of=3)).run
    assert (run.k, run.n, run.visits, run.at_target) == (10, 15, 3, 2)


def test_after_a_regression_a_new_run_starts_from_nothing():
    assert walk("++--+", Criterion(2, of=5)).met is False
    assert walk("++--+-+", Criterion(2, of=5)).attained == week(6)


def test_visits_of_one_calendar_week_are_not_enough_where_two_are_asked_for():
    monday = date(2026, 3, 9)
    criterion = Criterion(2, weeks=2)

    def attained(*days):
        return progress([CountedVisit(monday + timedelta(day), met=True) for day in days], criterion).attained

    assert attained(0, 6) is None
    assert attained(6, 7) == monday + timedelta(7)
    assert attained(0, 2, 4) is None
    assert attained(0, 2, 7) == monday + timedelta(7)
    assert attained(0, 14) == monday + timedelta(14)


@pytest.mark.parametrize(
    ("pattern", "criterion", "so_far"),
    [
        ("-+", Criterion(3), 1),
        ("++-", Criterion(3), 0),
        ("+-+", Criterion(3, of=4), 2),
        ("+++", Criterion(), 3),
    ],
)
def test_what_counts_towards_the_criterion_now(pattern, criterion, so_far):
    assert walk(pattern, criterion).so_far == so_far


@given(st.text("+-", max_size=14), st.integers(1, 4))
def test_p_of_p_is_p_in_a_row_until_it_is_met(pattern, visits):
    plain, of = walk(pattern, Criterion(visits)), walk(pattern, Criterion(visits, of=visits))
    assert plain.first_attained == of.first_attained


@given(st.text("+-", max_size=14), st.integers(1, 3), st.integers(0, 3))
def test_letting_more_visits_be_missed_never_attains_later(pattern, visits, more):
    strict = walk(pattern, Criterion(visits, of=visits + more)).first_attained
    mild = walk(pattern, Criterion(visits, of=visits + more + 1)).first_attained
    assert strict is None or (mild is not None and mild <= strict)


def test_the_first_attainment_is_kept():
    found = walk("++--++")
    assert (found.first_attained, found.attained) == (week(1), week(5))


def test_later_visits_and_dips_are_counted_since_attainment():
    found = walk("+++-")
    assert (found.later, found.dips, found.in_a_row) == (2, 1, 0)


def test_one_visit_can_be_enough():
    assert walk("-+", Criterion(visits=1)).attained == week(1)


def test_visits_may_come_in_any_order():
    visits = [
        CountedVisit(week(2), met=True),
        CountedVisit(week(0), met=False),
        CountedVisit(week(1), met=True),
    ]
    assert progress(visits, Criterion()).attained == week(2)


@given(st.text("+-", max_size=30), st.integers(1, 4), st.integers(1, 4))
def test_what_holds_for_any_visits(pattern, visits, dips):
    found = walk(pattern, Criterion(visits=visits, dips=dips))
    assert (found.attained is not None) == ("+" * visits in pattern)
    if found.attained is not None:
        assert found.first_attained <= found.attained
        assert found.first_attained == week(pattern.index("+" * visits) + visits - 1)
    if found.regressed is not None:
        assert "-" * dips in pattern
        assert found.met == (found.attained > found.regressed)
