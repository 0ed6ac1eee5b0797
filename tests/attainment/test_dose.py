from datetime import date, timedelta
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.attainment.dose import CalendarDay, PracticeDay, adherence, calendar

START = date(2026, 2, 3)


def log(*done, prescribed=30, **more):
    return [
        PracticeDay(
            START + timedelta(day), Fraction(prescribed), None if reps is None else Fraction(reps), **more
        )
        for day, reps in enumerate(done)
    ]


def percent(share):
    return round(float(100 * share), 1)


def test_a_week_with_a_double_day_a_zero_and_an_unlogged_day():
    found = adherence(log(30, 30, 0, 45, 30, None, 15))
    assert percent(found.of_logged_days) == 75.0
    assert percent(found.unlogged_as_zero) == 64.3
    assert percent(found.raw) == 71.4
    assert percent(found.log_return) == 85.7
    assert (found.full_dose_days, found.logged_days, found.days) == (4, 6, 7)


def test_done_of_prescribed():
    found = adherence(log(25, 25, 25, 25))
    assert percent(found.of_logged_days) == percent(found.unlogged_as_zero) == percent(found.raw) == 83.3


def test_more_than_prescribed_is_capped_but_shown_raw():
    found = adherence([PracticeDay(START, Fraction(120), Fraction(150))])
    assert (found.of_logged_days, percent(found.raw)) == (1, 125.0)


@pytest.mark.parametrize("days", [[], log(0, prescribed=0)])
def test_nothing_prescribed_gives_no_share_but_a_reason(days):
    found = adherence(days)
    assert (found.of_logged_days, found.unlogged_as_zero, found.raw, found.log_return) == (None,) * 4
    assert found.reason == "nothing was prescribed"


def test_a_log_that_was_not_returned_has_only_one_reading():
    found = adherence(log(*[None] * 14, prescribed=20))
    assert found.of_logged_days is None
    assert found.unlogged_as_zero == 0
    assert found.reason == "no log was returned"
    assert (found.prescribed, found.prescribed_logged) == (280, 0)


def test_days_on_hold_are_not_prescribed():
    found = adherence([*log(30, 30), *log(None, None, on_hold=True)])
    assert (found.unlogged_as_zero, found.days) == (1, 2)
    assert found.left_out == {"on hold": 2}


def test_days_off_are_said():
    assert adherence([*log(30), *log(0, prescribed=0)]).left_out == {"nothing prescribed": 1}


def test_a_changed_plan_is_split_and_pooled_by_what_each_part_prescribed():
    full_week, half_week = log(*[30] * 7), log(*[0] * 7, prescribed=15)
    assert adherence([*full_week, *half_week]).of_logged_days == Fraction(210, 315)


def test_a_day_is_full_only_when_every_line_is():
    lines = [*log(30, 30), *log(10, 0, prescribed=10)]
    found = adherence(lines)
    assert (found.full_dose_days, found.days) == (1, 2)


days = st.lists(st.one_of(st.none(), st.integers(0, 90)), min_size=1, max_size=30)


@given(days)
def test_within_one_prescription_a_reading_is_the_mean_of_capped_days(done):
    found = adherence(log(*done))
    shares = [Fraction(min(reps, 30), 30) for reps in done if reps is not None]
    assert found.unlogged_as_zero == sum(shares, Fraction(0)) / len(done)
    if shares:
        assert found.of_logged_days == sum(shares, Fraction(0)) / len(shares)
        assert found.unlogged_as_zero <= found.of_logged_days <= 1


def test_the_calendar_has_every_day_once_over_all_exercises():
    days = [
        PracticeDay(START, Fraction(30), Fraction(20), evidence=("Observation/1",)),
        PracticeDay(START, Fraction(10), Fraction(10), evidence=("Observation/2",)),
        PracticeDay(START + timedelta(2), Fraction(30), None),
        PracticeDay(START + timedelta(1), Fraction(30), Fraction(0), on_hold=True),
    ]
    assert calendar(days) == (
        CalendarDay(START, Fraction(40), Fraction(30), ("Observation/1", "Observation/2")),
        CalendarDay(START + timedelta(1), Fraction(0), Fraction(0)),
        CalendarDay(START + timedelta(2), Fraction(30), None),
    )
    assert [day.logged for day in calendar(days)] == [True, True, False]
