from fractions import Fraction
from math import comb

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binomtest
from scipy.stats import fisher_exact as scipy_fisher
from statsmodels.stats.proportion import confint_proportions_2indep

from service.attainment.change import apart, by_posture, fisher_exact, paired, unpaired_difference
from service.attainment.trials import Trial

CONTINGENCY = "contingencytables (R), tests"


@pytest.mark.parametrize(
    ("gained", "lost", "p"),
    [
        pytest.param(
            9, 2, 0.065430, marks=pytest.mark.published("from memory of Fay 2010, exact2x2 vignette")
        ),
        (5, 0, 0.0625),
        (4, 0, 0.125),
        (3, 0, 0.25),
        (4, 1, 0.375),
        (6, 0, 0.03125),
        (1, 0, 1),
        (0, 0, 1),
        (12, 2, 0.012939),
    ],
)
def test_exact_mcnemar(gained, lost, p):
    assert float(paired(0, gained, lost, 0).exact_p) == pytest.approx(p, abs=5e-7)


@pytest.mark.published("scipy binomtest at one half")
@pytest.mark.parametrize("changed", range(1, 15))
def test_mcnemar_agrees_with_the_binomial_test(changed):
    for lost in range(changed + 1):
        found = float(paired(0, changed - lost, lost, 0).exact_p)
        assert found == pytest.approx(binomtest(lost, changed).pvalue)


@pytest.mark.parametrize(
    ("pairs", "p"), [(1, 1), (2, 0.5), (3, 0.25), (4, 0.125), (5, 0.0625), (6, 0.03125), (8, 0.0078125)]
)
def test_smallest_p_a_number_of_pairs_can_reach(pairs, p):
    assert paired(0, pairs, 0, 0).exact_p == Fraction(p)


def test_p_is_hidden_below_six_pairs():
    five, six = paired(0, 5, 0, 0), paired(0, 6, 0, 0)
    assert five.p is None
    assert five.reason == "Five trials cannot show statistical significance; look at the run of visits."
    assert six.p == Fraction(1, 32)
    assert six.reason == ""


def test_no_change_is_said():
    assert paired(3, 0, 0, 3).reason == "no change on any posture"


@pytest.mark.parametrize(
    ("table", "p"),
    [
        pytest.param((0, 16, 15, 72), 0.06287, marks=pytest.mark.published(f"{CONTINGENCY}, test-ch4")),
        ((3, 4, 1, 4), 0.485714),
        ((0, 5, 5, 5), 0.007937),
        ((1, 5, 5, 5), 0.047619),
        ((0, 5, 4, 5), 0.047619),
        ((1, 5, 4, 5), 0.206349),
        ((2, 5, 5, 5), 0.166667),
        ((1, 5, 3, 5), 0.523810),
        ((2, 5, 4, 5), 0.523810),
    ],
)
def test_fisher_two_sided(table, p):
    assert float(fisher_exact(*table)) == pytest.approx(p, abs=5e-6)


@pytest.mark.published("R, documentation of fisher.test: tea-tasting lady, one-sided p 0.2429")
def test_the_tea_tasting_table():
    # One-sided: this table or the one beyond it; two-sided, by symmetry, twice that.
    one_sided = Fraction(comb(4, 3) * comb(4, 1) + 1, comb(8, 4))
    assert float(one_sided) == pytest.approx(0.2429, abs=5e-5)
    assert fisher_exact(3, 4, 1, 4) == 2 * one_sided


@pytest.mark.published("scipy fisher_exact")
@pytest.mark.parametrize("n", [1, 3, 5, 9])
def test_fisher_agrees_with_scipy(n):
    for k_1 in range(n + 1):
        for k_2 in range(6):
            expected = scipy_fisher([[k_1, n - k_1], [k_2, 5 - k_2]]).pvalue
            assert float(fisher_exact(k_1, n, k_2, 5)) == pytest.approx(expected)


@pytest.mark.parametrize(
    ("table", "difference", "low", "high"),
    [
        pytest.param(
            (7, 34, 1, 34), 0.1765, 0.0189, 0.3404, marks=pytest.mark.published(f"{CONTINGENCY}, test-ch4")
        ),
        pytest.param(
            (56, 70, 48, 80), 0.2, 0.0524, 0.3339,
            marks=pytest.mark.published("from memory of Newcombe 1998, Stat Med 17:873"),
        ),
        ((5, 5, 0, 5), 1.0, 0.3855, 1.0),
        ((5, 5, 2, 5), 0.6, 0.0298, 0.8824),
        ((4, 5, 1, 5), 0.6, -0.0003, 0.8316),
        ((4, 5, 2, 5), 0.4, -0.1626, 0.7264),
        ((3, 5, 1, 5), 0.4, -0.1626, 0.7264),
        ((0, 5, 0, 5), 0, -0.4345, 0.4345),
    ],
)  # fmt: skip
def test_difference_of_separate_trials(table, difference, low, high):
    found = unpaired_difference(*table)
    assert float(found.difference) == pytest.approx(difference, abs=5e-5)
    assert (found.interval.low, found.interval.high) == pytest.approx((low, high), abs=5e-5)


@pytest.mark.published("statsmodels confint_proportions_2indep, method 'newcomb'")
@pytest.mark.parametrize("n", [2, 5, 11, 40])
def test_difference_agrees_with_statsmodels(n):
    for k_1 in range(0, n + 1, max(1, n // 5)):
        for k_2 in range(8):
            found = unpaired_difference(k_1, n, k_2, 7).interval
            expected = confint_proportions_2indep(k_1, n, k_2, 7, method="newcomb", compare="diff")
            assert (found.low, found.high) == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize(
    ("table", "difference", "low", "high"),
    [
        pytest.param(
            (59, 6, 16, 80),
            -0.0621,
            -0.1186,
            -0.0046,
            marks=pytest.mark.published(f"{CONTINGENCY}, test-ch8"),
        ),
        ((14, 5, 0, 22), 0.1220, 0.0115, 0.2265),  # data: Altman 2000, table 6.2
        ((1, 1, 7, 12), -0.2857, -0.5069, -0.0256),  # data: contingencytables
        ((36, 12, 2, 0), 0.2, 0.0569, 0.3404),
        ((1, 3, 0, 1), 0.6, -0.0003, 0.8316),
        ((0, 5, 0, 0), 1.0, 0.3855, 1.0),
        ((1, 4, 0, 0), 0.8, 0.1926, 0.9638),
        ((2, 2, 0, 1), 0.4, -0.1626, 0.7264),
    ],
)
def test_difference_of_pairs(table, difference, low, high):
    found = paired(*table).difference
    assert float(found.difference) == pytest.approx(difference, abs=5e-5)
    assert (found.interval.low, found.interval.high) == pytest.approx((low, high), abs=5e-5)


def test_an_empty_side_has_no_difference_but_a_reason():
    assert unpaired_difference(0, 0, 1, 2).reason == "one side has no scored trial"
    assert paired(0, 0, 0, 0).difference.reason == "no pair has both trials scored"


@given(st.tuples(*[st.integers(0, 12)] * 4))
def test_the_interval_of_pairs_holds_the_difference(table):
    found = paired(*table).difference
    if found.interval is not None:
        assert -1 <= found.interval.low <= float(found.difference) + 1e-12
        assert float(found.difference) - 1e-12 <= found.interval.high <= 1


def block(observed, postures="abcde"):
    seen = {"1": "closed", "0": "not-closed", "x": "not-observable"}
    return [Trial(n, seen[one], posture=postures[n]) for n, one in enumerate(observed)]


def pairs(before, after, *, postures="abcde"):
    return by_posture(block(before), block(after, postures), lambda trial: trial.closed)


def test_trials_are_paired_by_posture_whatever_their_order():
    found = pairs("01010", "11010")
    assert (found.both, found.gained, found.lost, found.neither) == (2, 1, 0, 2)
    assert pairs("11000", "00011", postures="edcba") == paired(2, 0, 0, 3)


def test_a_trial_that_was_not_scored_takes_its_pair_with_it():
    assert pairs("x1010", "11010").n == 4


def test_where_a_posture_is_missing_or_repeated_there_are_no_pairs():
    assert pairs("11111", "11111", postures="abcdf") is None
    assert by_posture(block("11", "aa"), block("11", "aa"), lambda trial: trial.closed) is None
    assert by_posture(block("111"), block("11"), lambda trial: trial.closed) is None


def test_separate_trials_hide_p_below_six_on_either_side():
    few, enough = apart(1, 5, 5, 6), apart(1, 6, 6, 6)
    assert (few.p, few.reason) == (
        None,
        "Five trials cannot show statistical significance; look at the run of visits.",
    )
    assert (enough.p, enough.reason) == (enough.exact_p, "")
    assert enough.difference.difference == Fraction(5, 6)


def test_the_other_way_round_the_difference_turns_its_sign():
    there, back = apart(1, 5, 4, 5), apart(4, 5, 1, 5)
    assert there.difference.difference == -back.difference.difference == Fraction(3, 5)
    assert there.exact_p == back.exact_p
    assert there.difference.interval.low == pytest.approx(-back.difference.interval.high)


def test_against_nothing_there_is_no_comparison():
    assert apart(0, 0, 1, 5) is None
    assert apart(1, 5, 0, 0) is None
