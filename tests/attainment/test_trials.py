from datetime import UTC, date, datetime
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.attainment.trials import Block, Trial, accuracy, hold_time, probes

DAY = date(2026, 2, 3)


def trials(string: str, holds: str = "") -> tuple[Trial, ...]:
    """Trials of a string: 1 closed, 0 open, x not observable, - not done."""
    seen = {"1": "closed", "0": "not-closed", "x": "not-observable", "-": "not-done"}
    reason = {"x": "view lost", "-": "refused"}
    seconds = [Fraction(hold) for hold in holds.split()] or [None] * len(string)
    return tuple(
        Trial(number, seen[mark], reason.get(mark, ""), hold=hold)
        for number, (mark, hold) in enumerate(zip(string, seconds, strict=True), 1)
    )


def test_only_scored_trials_are_in_the_share():
    found = accuracy(trials("1101x"))
    assert (found.k, found.n, found.share) == (3, 4, Fraction(3, 4))
    assert found.left_out == {"not observable: view lost": 1}


def test_left_out_trials_leave_bounds():
    assert accuracy(trials("1101x")).bounds == (Fraction(3, 5), Fraction(4, 5))
    assert accuracy(trials("110x-")).bounds == (Fraction(2, 5), Fraction(4, 5))


def test_a_share_carries_both_intervals():
    found = accuracy(trials("11011"))
    assert (found.wilson.low, found.wilson.high) == pytest.approx((0.3755, 0.9638), abs=5e-5)
    assert (found.clopper_pearson.low, found.clopper_pearson.high) == pytest.approx(
        (0.2836, 0.9949), abs=5e-5
    )


def test_without_a_scored_trial_there_is_no_share_but_a_reason():
    found = accuracy(trials("xx-"))
    assert (found.share, found.wilson, found.clopper_pearson) == (None, None, None)
    assert found.reason == "no trial was scored"
    assert found.bounds == (0, 1)
    assert found.left_out == {"not observable: view lost": 2, "not done: refused": 1}


def test_without_trials_there_are_no_bounds():
    assert accuracy(()).bounds is None


@given(st.text("10x-", max_size=40))
def test_a_share_lies_within_its_bounds(string):
    found = accuracy(trials(string))
    assert found.n + sum(found.left_out.values()) == len(string)
    if found.share is not None:
        assert found.bounds[0] <= found.share <= found.bounds[1]


def test_hold_is_the_median_of_closed_trials():
    found = hold_time(trials("11010", "4 4 2 3 1"))
    assert (found.seconds, found.n, found.left_out) == (4, 3, {"not closed": 2})


def test_hold_of_an_even_count_is_exact():
    assert hold_time(trials("11000", "3 4 2 1 1")).seconds == Fraction(7, 2)


def test_hold_without_a_closed_trial_has_a_reason():
    found = hold_time(trials("0x", "1 1"))
    assert found.seconds is None
    assert found.reason == "no closed trial with a hold time"


def test_a_closed_trial_without_a_hold_time_is_left_out():
    found = hold_time(trials("11"))
    assert (found.seconds, found.left_out) == (None, {"no hold time": 2})


def at(hour: int, kind: str = "pre", day: date = DAY, string: str = "1") -> Block:
    return Block(kind, day, trials(string), datetime(day.year, day.month, day.day, hour, tzinfo=UTC))


def test_the_probe_is_the_first_pre_block_of_a_day():
    morning, evening = at(9, string="0"), at(17, string="1")
    assert probes([evening, morning]) == [morning]


def test_other_blocks_are_no_probes():
    assert probes([at(9, "post"), at(9, "education"), at(10, "faded")]) == []


def test_probes_come_in_day_order():
    later = at(9, day=date(2026, 2, 10))
    assert [block.day for block in probes([later, at(9)])] == [DAY, later.day]
