import pytest
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.stats.proportion import proportion_confint

from service.attainment.intervals import clopper_pearson, wilson

counts = st.integers(1, 200).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))


@pytest.mark.parametrize(
    ("k", "n", "score", "exact"),
    [
        pytest.param(
            13,
            16,
            (0.5699, 0.9341),
            (0.5435, 0.9595),
            marks=pytest.mark.published("contingencytables (R), test-ch2"),
        ),
        *(
            pytest.param(
                *case, marks=pytest.mark.published("from memory of Newcombe 1998, Stat Med 17:857, table")
            )
            for case in [
                (81, 263, (0.2553, 0.3662), (0.2527, 0.3676)),
                (15, 148, (0.0624, 0.1605), (0.0578, 0.1617)),
                (0, 20, (0.0, 0.1611), (0.0, 0.1684)),
                (1, 29, (0.0061, 0.1718), (0.0009, 0.1776)),
            ]
        ),
        (0, 5, (0.0, 0.4345), (0.0, 0.5218)),
        (1, 5, (0.0362, 0.6245), (0.0051, 0.7164)),
        (2, 5, (0.1176, 0.7693), (0.0527, 0.8534)),
        (3, 5, (0.2307, 0.8824), (0.1466, 0.9473)),
        (4, 5, (0.3755, 0.9638), (0.2836, 0.9949)),
        (5, 5, (0.5655, 1.0), (0.4782, 1.0)),
        (0, 10, (0.0, 0.2775), (0.0, 0.3085)),
        (8, 10, (0.4902, 0.9433), (0.4439, 0.9748)),
        (10, 10, (0.7225, 1.0), (0.6915, 1.0)),
        (23, 60, (0.2709, 0.5098), (0.2607, 0.5179)),
    ],
)
def test_intervals_of_known_counts(k, n, score, exact):
    for interval, expected in ((wilson(k, n), score), (clopper_pearson(k, n), exact)):
        assert (interval.low, interval.high) == pytest.approx(expected, abs=5e-5)


@pytest.mark.published("statsmodels proportion_confint, methods 'wilson' and 'beta'")
@pytest.mark.parametrize("n", [1, 2, 3, 5, 7, 10, 25, 60, 263, 2000])
def test_intervals_agree_with_statsmodels(n):
    for k in {0, 1, n // 3, n // 2, n - 1, n}:
        score, exact = wilson(k, n), clopper_pearson(k, n)
        assert (score.low, score.high) == pytest.approx(
            proportion_confint(k, n, method="wilson"), rel=1e-9, abs=1e-12
        )
        assert (exact.low, exact.high) == pytest.approx(
            proportion_confint(k, n, method="beta"), rel=1e-8, abs=1e-12
        )


@given(counts)
def test_an_interval_holds_the_share_and_stays_between_0_and_1(count):
    k, n = count
    for interval in (wilson(k, n), clopper_pearson(k, n)):
        assert 0 <= interval.low <= k / n <= interval.high <= 1


@given(counts)
def test_turning_closed_and_open_around_turns_the_interval_around(count):
    k, n = count
    one, other = wilson(k, n), wilson(n - k, n)
    assert (one.low, one.high) == pytest.approx((1 - other.high, 1 - other.low))


def test_no_trials_give_no_interval():
    assert wilson(0, 0) is None
    assert clopper_pearson(0, 0) is None


def test_an_end_at_0_or_1_is_exact():
    assert wilson(0, 7).low == 0
    assert wilson(7, 7).high == 1
