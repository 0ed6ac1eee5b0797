"""Further rows of the tables of check values, so that each table is whole.

They follow from the stated formulas and were computed with scipy, statsmodels and scikit-learn where those
have the formula; the rows that were published are marked so in the file of their formula.
"""

from fractions import Fraction

import pytest

from service.attainment.change import paired
from service.attainment.detection import detection, log_linear
from service.attainment.luck import luck
from service.attainment.phases import overlap
from service.attainment.reliable_change import Reliability
from service.attainment.scaling import t_score
from service.attainment.self_judgement import Cells, self_judgement
from service.attainment.time_to_attainment import Spell, time_to_attainment
from service.attainment.trend import trend


def near(*numbers, digits=4):
    return pytest.approx(numbers, abs=0.5000001 * 10**-digits)


@pytest.mark.parametrize(
    ("pairs", "p"), [(1, 1), (2, 0.5), (3, 0.25), (4, 0.125), (5, 0.0625), (6, 0.03125), (7, 0.015625)]
)
def test_smallest_p_of_pairs(pairs, p):
    assert float(paired(0, pairs, 0, 0).exact_p) == p


# Rates; one visit, both of two, a run of two and of three within six; 8 of 10 in one visit, two within six.
LUCK = """
0.3 0.0308 0.0009 0.0046 0.0001 0.0016 0.0000
0.5 0.1875 0.0352 0.1466 0.0227 0.0547 0.0143
0.6 0.3370 0.1135 0.3919 0.1144 0.1673 0.1194
0.7 0.5282 0.2790 0.7148 0.3560 0.3828 0.4736
0.8 0.7373 0.5436 0.9392 0.7166 0.6778 0.8936
0.9 0.9185 0.8437 0.9979 0.9644 0.9298 0.9987
"""


@pytest.mark.parametrize("row", LUCK.strip().splitlines())
def test_luck(row):
    rate, *expected = row.split()
    two, three, ten = (
        luck(Fraction(rate), Fraction(4, 5), trials, visits_in_a_row=run, visits=6)
        for trials, run in ((5, 2), (5, 3), (10, 2))
    )
    found = (two.visit, two.run, two.within, three.within, ten.visit, ten.within)
    assert [round(float(one), 4) for one in found] == [float(one) for one in expected]


# Cells; expected agreement, predictive values, over- and under-confidence; - where there is none.
JUDGEMENTS = """
20 5  10 15 0.5    0.8    0.6    0.1  0.2
40 9  6  45 0.5008 0.8163 0.8824 0.09 0.06
80 10 5  5  0.78   0.8889 0.5    0.1  0.05
5  0  0  0  1.0    1.0    -      0    0
0  5  0  0  0      0      -      1.0  0
4  1  0  0  0.8    0.8    -      0.2  0
1  3  0  1  0.32   0.25   1.0    0.6  0
3  0  1  1  0.56   1.0    0.5    0    0.2
0  0  0  5  1.0    -      1.0    0    0
6  2  1  1  0.62   0.75   0.5    0.2  0.1
"""


@pytest.mark.parametrize("row", JUDGEMENTS.strip().splitlines())
def test_judgement_numbers(row):
    cells = row.split()
    found = self_judgement(Cells(*map(int, cells[:4])))
    predictive = (found.positive_predictive, found.negative_predictive)
    numbers = (found.expected, *predictive, found.over_confident, found.under_confident)
    for number, expected in zip(numbers, cells[4:], strict=True):
        assert (
            number is None if expected == "-" else float(number) == pytest.approx(float(expected), abs=5e-5)
        )


@pytest.mark.parametrize(
    ("counts", "expected"),
    [
        ((1, 3, 1, 4), (0.75, 0.7, 0.150089, -0.599445)),
        ((3, 0, 4, 1), (0.7, 0.25, 1.198890, 0.075045)),
    ],
)
def test_detection(counts, expected):
    assert log_linear(*counts) == near(*expected, digits=6)


def test_detection_without_noise_is_none():
    assert detection(Cells(both_closed=5)).d_prime is None


def spread(n, total):
    """n levels with this sum."""
    levels = [0] * n
    for place in range(abs(total)):
        levels[place % n] += 1 if total > 0 else -1
    return levels


# T of n equal goals for every sum of levels from the lowest to 0; T is symmetrical about 50.
T_SCORES = """
1 30.0 40.0 50.0
2 25.2 31.4 37.6 43.8 50.0
3 22.6 27.2 31.7 36.3 40.9 45.4 50.0
4 21.0 24.6 28.2 31.9 35.5 39.1 42.7 46.4 50.0
5 19.8 22.9 25.9 28.9 31.9 34.9 37.9 41.0 44.0 47.0 50.0
6 19.0 21.6 24.2 26.8 29.3 31.9 34.5 37.1 39.7 42.3 44.8 47.4 50.0
"""


@pytest.mark.parametrize("row", T_SCORES.strip().splitlines())
def test_t_scores_by_sum(row):
    n, *scores = row.split()
    for sum_, expected in enumerate(map(float, scores), -2 * int(n)):
        assert round(t_score(spread(int(n), sum_)), 1) == expected
        assert t_score(spread(int(n), sum_)) + t_score(spread(int(n), -sum_)) == pytest.approx(100)


def test_trend_of_six_visits():
    values = [20, 40, 40, 60, 80, 80]
    found = trend((visit, Fraction(value)) for visit, value in enumerate(values, 1))
    assert (found.p, float(found.intercept)) == near(0.019364, 3.333333, digits=6)
    by_day = trend((day, Fraction(value)) for day, value in zip((0, 7, 14, 28, 42, 56), values, strict=True))
    numbers = (float(by_day.variance), by_day.z, by_day.tau_b, float(by_day.slope_per_day))
    assert (by_day.s, *numbers) == near(13, 26.3333, 2.3385, 0.930949, 1.142857)


@pytest.mark.parametrize(
    ("a", "b", "error", "higher"),
    [
        ((2, 3, 5, 3), (4, 5, 5, 7, 6), 0.10868533, True),
        ((3, 3, 4, 5), (4, 5, 6, 7, 7), 0.10338037, True),
        ((8, 8, 6), (6, 3, 2, 2), 0.07115938, False),
    ],
)
def test_standard_errors_of_nap(a, b, error, higher):
    found = overlap([Fraction(one) for one in a], [Fraction(one) for one in b], higher_is_better=higher)
    assert found.error == pytest.approx(error, abs=5e-9)


@pytest.mark.parametrize(
    ("deviation", "retest", "error", "threshold"),
    [(7.54, 0.88, 3.6938, 7.24), (12.22, 0.93, 4.5723, 8.962), (10, 0.80, 6.3246, 12.396)],
)
def test_unsteadiness(deviation, retest, error, threshold):
    known = Reliability(deviation, retest, "")
    assert known.error == pytest.approx(error, abs=5e-5)
    assert known.threshold == pytest.approx(threshold, abs=5e-4)


def cohort(attained, censored):
    spells = [Spell(days, "attained") for days in attained] + [Spell(days, "censored") for days in censored]
    return time_to_attainment(spells)


def test_cohorts():
    found = cohort((28, 42, 56, 84), (56, 90))
    rows = [(one.days, one.at_risk, round(one.error, 4)) for one in found.steps]
    assert rows == [(28, 6, 0.1521), (42, 5, 0.1925), (56, 4, 0.2041), (84, 2, 0.2041)]
    # The five invented people of the demo.
    demo = cohort((21, 42, 49), (56, 56))
    assert [(one.days, float(one.waiting)) for one in demo.steps] == [(21, 0.8), (42, 0.6), (49, 0.4)]
    assert demo.median == 49
