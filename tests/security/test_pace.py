"""How often one caller may ask."""

import pytest

from service.errors import TooManyRequests
from service.security.pace import Pace


class Clock:
    now = 0.0

    def __call__(self) -> float:
        return self.now


def let_through(pace: Pace, who: str, tries: int) -> int:
    passed = 0
    for _ in range(tries):
        try:
            pace.take(who)
        except TooManyRequests:
            break
        passed += 1
    return passed


def test_a_burst_then_the_steady_rate():
    clock = Clock()
    pace = Pace(5, 10, clock)
    assert let_through(pace, "a", 100) == 50
    clock.now = 1.0
    assert let_through(pace, "a", 100) == 5
    clock.now = 1_000.0
    assert let_through(pace, "a", 100) == 50


def test_the_wait_is_told_and_is_enough():
    clock = Clock()
    pace = Pace(0.5, 4, clock)
    assert let_through(pace, "a", 9) == 2
    with pytest.raises(TooManyRequests) as refused:
        pace.take("a")
    assert refused.value.wait_s == pytest.approx(2.0)
    clock.now = refused.value.wait_s
    pace.take("a")


def test_one_caller_does_not_use_up_what_others_have():
    pace = Pace(1, 1, Clock())
    assert let_through(pace, "a", 3) == 1
    assert let_through(pace, "b", 3) == 1


def test_a_rate_of_zero_lets_everybody_through():
    assert let_through(Pace(0, 10, Clock()), "a", 1_000) == 1_000


def test_a_burst_shorter_than_a_step_still_lets_one_through():
    assert let_through(Pace(0.1, 1, Clock()), "a", 5) == 1


def test_counting_beyond_the_limit_does_not_lengthen_the_wait():
    pace = Pace(1, 10, Clock())
    for _ in range(1_000):
        pace.count("a")
    assert pace.wait("a") == pytest.approx(1.0)


def test_what_is_remembered_is_bounded_and_full_buckets_go_first():
    clock = Clock()
    pace = Pace(1, 100, clock)
    for number in range(9_999):
        pace.take(number)
    clock.now = 50.0
    for _ in range(100):
        pace.take("busy")
    for number in range(5_000):
        pace.take(f"new {number}")
    assert pace.wait("busy") > 0
    for number in range(20_000):
        pace.take(f"newer {number}")
    assert len(pace._full_at) <= 10_000
