import math
import random
from datetime import date, timedelta
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import kendalltau, norm, theilslopes

from service.attainment.trend import intercepts, kendall_s, smallest_exact_p, trend

LITTLE = [12.9, 14.8, 13.2, 15.7, 13.8, 15.6, 12.9, 11.0, 17.3, 15.9, 19.0, 18.3, 20.1, 21.7]


def points(values, days=None):
    days = range(1, len(values) + 1) if days is None else days
    return [(day, Fraction(str(value))) for day, value in zip(days, values, strict=True)]


@pytest.mark.published("Little, College of the Holy Cross, Mann-Kendall notes: S 54, Z 2.9058")
def test_a_published_series_of_14():
    found = trend(points(LITTLE))
    assert found.s == 54
    assert float(found.variance) == pytest.approx(332.6667, abs=5e-5)
    assert found.z == pytest.approx(2.9058, abs=5e-5)
    assert found.p == pytest.approx(2 * 0.0018, abs=1e-4)
    assert found.p == pytest.approx(0.003663, abs=5e-7)
    assert found.tau_b == pytest.approx(0.596694, abs=5e-7)
    assert float(found.slope_per_day) == pytest.approx(0.566667, abs=5e-7)
    assert intercepts(points(LITTLE)) == pytest.approx((11.4, 12.2))


@pytest.mark.parametrize(
    ("values", "s", "variance", "z", "tau", "slope"),
    [
        ([20, 40, 40, 60, 80, 80], 13, 26.3333, 2.3385, 0.930949, 13.333333),
        ([60, 60, 60, 60, 60], 0, 0, 0, None, 0),
        ([1, 2, 3], 3, 3.6667, 1.0445, 1, 1),
        ([1, 2, 3, 4], 6, 8.6667, 1.6984, 1, 1),
        ([1, 2, 3, 4, 5], 10, 16.6667, 2.2045, 1, 1),
        ([1, 2, 3, 4, 5, 6], 15, 28.3333, 2.6301, 1, 1),
    ],
)
def test_trend_by_visit(values, s, variance, z, tau, slope):
    found = trend(points(values))
    assert found.s == s
    assert float(found.variance) == pytest.approx(variance, abs=5e-5)
    assert found.z == pytest.approx(z, abs=5e-5)
    assert found.tau_b == (None if tau is None else pytest.approx(tau, abs=5e-7))
    assert float(found.slope_per_day) == pytest.approx(slope, abs=5e-7)


def test_slope_by_day_and_week():
    by_day = points([20, 40, 40, 60, 80, 80], [0, 7, 14, 28, 42, 56])
    found = trend(by_day)
    assert (found.slope_per_day, found.slope_per_week) == (Fraction(8, 7), 8)
    assert intercepts(by_day) == (26, 26)


@pytest.mark.published("Gilbert 1987, exact tables of S (nhm.uio.no)")
@pytest.mark.parametrize(
    ("n", "p"), [(3, 0.333333), (4, 0.083333), (5, 0.016667), (6, 0.002778), (7, 0.000397), (8, 0.00005)]
)
def test_smallest_exact_p(n, p):
    assert float(smallest_exact_p(n)) == pytest.approx(p, abs=5e-7)


def test_a_perfect_trend_reaches_the_smallest_p():
    assert trend(points([1, 2, 3, 4, 5, 6])).p == pytest.approx(float(smallest_exact_p(6)))


def test_no_p_below_five_visits():
    found = trend(points([1, 2, 3, 4]))
    assert found.p is None
    assert found.reasons["p"] == "no p-value below 5 visits"


def test_a_flat_series_has_no_tau_but_a_reason():
    found = trend(points([60] * 5))
    assert found.p == 1
    assert found.reasons == {"tau_b": "all values are alike"}
    assert not found.show_slope


@pytest.mark.parametrize("count", [0, 1])
def test_too_few_points_have_no_slope(count):
    found = trend(points([5] * count))
    assert found.slope_per_day is None
    assert found.slope_per_week is None
    assert intercepts(points([5] * count)) is None
    assert found.reasons["slope"] == "fewer than two different days"


def test_the_slope_is_worth_showing_from_four_visits_with_spread():
    assert not trend(points([1, 2, 3])).show_slope
    assert trend(points([1, 2, 3, 3])).show_slope


@pytest.mark.published("scipy kendalltau and theilslopes")
@pytest.mark.parametrize("seed", range(60))
def test_trend_agrees_with_scipy(seed):
    chance = random.Random(seed)  # noqa: S311 - a seeded test
    n = chance.randint(5, 14)
    steps = [20 * chance.randint(0, 5) for _ in range(n)] if seed % 2 else chance.sample(range(100), n)
    days = sorted(chance.sample(range(200), n))
    found = trend(points(steps, days))
    if found.tau_b is not None:
        reference = kendalltau(days, steps)
        assert found.tau_b == pytest.approx(reference.statistic)
        if n <= 10 and len(set(steps)) == n:
            assert found.p == pytest.approx(kendalltau(days, steps, method="exact").pvalue)
    middle, residual = intercepts(points(steps, days))
    reference = theilslopes(steps, days, method="separate")
    assert float(found.slope_per_day) == pytest.approx(reference.slope)
    assert float(middle) == pytest.approx(reference.intercept)
    assert float(residual) == pytest.approx(theilslopes(steps, days, method="joint").intercept)


@pytest.mark.published("Kendall 1970, example 3.1, as in SingleCaseES tests: S 33, tau-b 0.859")
def test_kendalls_example_with_ties():
    days = [2, 5, 5, 9, 9, 13, 13, 16, 19, 19]  # his ranks 1 to 9.5, doubled
    found = trend(points([1, 2, 4.5, 4.5, 4.5, 4.5, 8, 8, 8, 10], days))
    assert (found.s, round(found.tau_b, 3)) == (33, 0.859)


@pytest.mark.published("scipy kendalltau, asymptotic p without continuity correction, and theilslopes")
@pytest.mark.parametrize("seed", range(40))
def test_two_values_of_one_day_tell_no_direction(seed):
    chance = random.Random(seed)  # noqa: S311 - a seeded test
    n = chance.randint(5, 14)
    days, values = (sorted(chance.choices(range(8), k=n)), [chance.randint(0, 5) for _ in range(n)])
    found = trend(points(values, days))
    reference = kendalltau(days, values, method="asymptotic")
    assert found.tau_b == (None if math.isnan(reference.statistic) else pytest.approx(reference.statistic))
    if found.tau_b is not None:
        assert 2 * norm.sf(abs(found.s) / math.sqrt(found.variance)) == pytest.approx(reference.pvalue)
        assert float(found.slope_per_day) == pytest.approx(theilslopes(values, days).slope)


def test_values_of_one_day_have_no_trend():
    found = trend(points([20, 40, 60], [3, 3, 3]))
    assert (found.s, found.variance, found.tau_b, found.slope_per_day) == (0, 0, None, None)
    assert kendall_s([20, 40, 60]) == 3


@given(st.lists(st.integers(0, 5), min_size=2, max_size=12))
def test_turning_time_around_turns_the_trend_around(values):
    start = date(2026, 1, 1).toordinal()
    forward = trend((start + day, Fraction(value)) for day, value in enumerate(values))
    backward = trend((start - day, Fraction(value)) for day, value in enumerate(values))
    assert (forward.s, forward.slope_per_day) == (-backward.s, -backward.slope_per_day)
    assert abs(forward.s) <= len(values) * (len(values) - 1) // 2


def test_order_of_the_points_does_not_matter():
    day = date(2026, 1, 1)
    series = [((day + timedelta(7 * i)).toordinal(), Fraction(value)) for i, value in enumerate([3, 1, 2, 5])]
    assert trend(series) == trend(reversed(series))
