from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import mannwhitneyu

from service.attainment.phases import overlap

phases = st.lists(st.integers(0, 10), min_size=3, max_size=8)


def compared(a, b, **more):
    return overlap([Fraction(one) for one in a], [Fraction(one) for one in b], **more)


@pytest.mark.parametrize(
    ("a", "b", "nap", "tau_u"),
    [
        pytest.param(
            (20, 20, 26, 25, 22, 23),
            (28, 25, 24, 27, 30, 30, 29),
            Fraction(77, 84),
            Fraction(31, 42),
            marks=pytest.mark.published("SingleCaseES and scda (R): NAP 38.5/42, Tau 35/42"),
        ),
        pytest.param(
            (3, 3, 4, 5),
            (4, 5, 6, 7, 7),
            Fraction(18, 20),
            Fraction(11, 20),
            marks=pytest.mark.published(
                "SingleCaseES, test-parker-vannest-davis-2011: Tau 16/20, Tau-U 11/20"
            ),
        ),
        pytest.param(
            (1, 2, 3, 4, 5),
            (6, 7, 8, 9, 10),
            Fraction(1),
            Fraction(3, 5),
            marks=pytest.mark.published("SingleCaseES, test-tarlow-2017: Tau 1, Tau-U 0.6"),
        ),
        ((2, 3, 5, 3), (4, 5, 5, 7, 6), Fraction(9, 10), Fraction(13, 20)),
    ],
)
def test_overlap_of_two_phases(a, b, nap, tau_u):
    found = compared(a, b)
    assert (found.nap, found.tau, found.tau_u) == (nap, 2 * nap - 1, tau_u)


@pytest.mark.published("SingleCaseES (R): standard error of NAP 0.07739185")
def test_the_standard_error_of_a_published_example():
    found = compared((20, 20, 26, 25, 22, 23), (28, 25, 24, 27, 30, 30, 29))
    assert found.error == pytest.approx(0.07739185, abs=5e-9)
    assert found.standard == "meets"


def test_lower_may_be_better():
    found = compared((8, 8, 6), (6, 3, 2, 2), higher_is_better=False)
    assert (found.nap, found.tau, found.tau_u) == (Fraction(23, 24), Fraction(11, 12), Fraction(3, 4))
    assert found.standard == "with reservations"


def test_complete_separation_is_said_and_has_no_error():
    found = compared((20, 20, 40), (60, 80, 80, 100))
    assert (found.nap, found.error, found.reason) == (1, None, "complete separation: no interval")


@pytest.mark.parametrize(("a", "b"), [((20,), (60, 80, 80)), ((20, 20, 40), (60, 80)), ((), ())])
def test_a_visit_or_two_are_no_phase(a, b):
    found = compared(a, b)
    assert (found.standard, found.nap, found.tau, found.tau_u, found.error) == (
        "no phase",
        None,
        None,
        None,
        None,
    )
    assert found.reason == "a phase needs 3 values; phase statistics not computed"


@pytest.mark.published("scipy mannwhitneyu: U is NAP times the number of pairs")
@given(a=phases, b=phases)
def test_pairs_are_those_of_the_rank_sum_test(a, b):
    found = compared(a, b)
    assert float(found.nap) * len(a) * len(b) == pytest.approx(mannwhitneyu(b, a).statistic)
    assert found.nap + compared(a, b, higher_is_better=False).nap == 1
