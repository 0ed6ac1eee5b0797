import asyncio

import pytest
from bench.measure import Row, Size, alternately


def row(measured, floor, **budget):
    return Row("work", "baseline", measured, floor, **budget)


@pytest.mark.parametrize(
    ("budget", "words", "held"),
    [
        ({}, "", ""),
        ({"limit": 3}, "<= 3x", "yes"),
        ({"limit": 2.5}, "<= 2.5x", "no"),
        ({"limit": 3, "rate": 100}, "<= 3x and >= 100/s", "no"),
        ({"rate": 30}, ">= 30/s", "yes"),
        ({"most": 0.15}, "<= 150 ms", "yes"),
        ({"limit": 3, "most": 0.02}, "<= 3x and <= 20 ms", "no"),
    ],
)
def test_a_budget_is_held_or_not(budget, words, held):
    one = row([0.01, 0.03, 9.0], [0.02, 0.01, 0.001], **budget)
    assert one.ratio == pytest.approx(3.0)
    assert (one.budget, one.held) == (words, held)


def test_work_and_baseline_take_turns_and_the_first_round_is_not_kept():
    order = []

    async def work():
        order.append("work")

    async def baseline():
        order.append("baseline")

    measured, floor = asyncio.run(alternately(work, baseline, rounds=2, times=2))
    assert order == ["work", "work", "baseline", "baseline"] * 3
    assert (len(measured), len(floor)) == (2, 2)


@pytest.mark.parametrize(
    ("most", "budget", "held"), [(None, "", ""), (2, "<= 2 s", "yes"), (1, "<= 1 s", "no")]
)
def test_a_size_is_held_or_not(most, budget, held):
    one = Size("start", 1.5, "s", most=most)
    assert (one.budget, one.held) == (budget, held)
