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
