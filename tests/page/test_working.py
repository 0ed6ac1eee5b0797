"""The working of a goal in words."""

from fractions import Fraction

import pytest

from service.attainment.phases import overlap
from service.page.working import phases_in_words


@pytest.mark.parametrize(
    ("a", "b", "words"),
    [
        (
            (20, 20, 26, 25, 22, 23),
            (28, 25, 24, 27, 30, 30, 29),
            "NAP 0.92, Tau 0.83, Tau-U 0.74, Tau-U of both trends 0.93; PND 5, PEM 7 of 7 (6 results before,",
        ),
        (
            (60, 80, 100),
            (20, 20, 40),
            "NAP 0.00, Tau −1.00, Tau-U −1.33, Tau-U of both trends −1.11; PND 0, PEM 0 of 3",
        ),
        ((20,), (60, 80), "a phase needs 3 values; phase statistics not computed"),
    ],
)
def test_two_phases(a, b, words):
    found = overlap([Fraction(one) for one in a], [Fraction(one) for one in b])
    assert phases_in_words(found).startswith(words)


def test_no_phases_need_no_words():
    assert phases_in_words(None) == ""
