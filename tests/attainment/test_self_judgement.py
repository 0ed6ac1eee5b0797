import random
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sklearn.metrics import cohen_kappa_score

from service.attainment.self_judgement import Cells, _kappa, cells, self_judgement
from service.attainment.trials import Trial

EPIDEMIOLOGY_KEPT_SIMPLE = "Gerstman, Epidemiology Kept Simple, table 10.6"


@pytest.mark.parametrize(
    ("table", "agreement", "kappa", "pabak", "sensitivity", "specificity", "bias"),
    [
        pytest.param(
            (40, 9, 6, 45), 0.85, 0.6995, 0.70, 0.8696, 0.8333, 0.03,
            marks=pytest.mark.published(f"{EPIDEMIOLOGY_KEPT_SIMPLE}A: kappa 0.70"),
        ),
        pytest.param(
            (80, 10, 5, 5), 0.85, 0.3182, 0.70, 0.9412, 0.3333, 0.05,
            marks=pytest.mark.published(f"{EPIDEMIOLOGY_KEPT_SIMPLE}B, kappa paradox: 0.32"),
        ),
        pytest.param(
            (20, 5, 10, 15), 0.70, 0.4, 0.40, 0.6667, 0.75, -0.10,
            marks=pytest.mark.published("from memory of the standard textbook example: kappa 0.4"),
        ),
        ((1, 3, 0, 1), 0.40, 0.1176, -0.20, 1.0, 0.25, 0.60),
        ((3, 0, 1, 1), 0.80, 0.5455, 0.60, 0.75, 1.0, -0.20),
        ((6, 2, 1, 1), 0.70, 0.2105, 0.40, 0.8571, 0.3333, 0.10),
        pytest.param(
            (4, 1, 0, 0), 0.80, 0, 0.60, 1.0, 0.0, 0.20,
            marks=pytest.mark.published("Wills, worksheet 'More on Cohen's Kappa': 5 items, 80 %, kappa 0"),
        ),
        ((5, 0, 0, 0), 1.0, None, 1.0, 1.0, None, 0),
        ((0, 0, 0, 5), 1.0, None, 1.0, None, 1.0, 0),
        ((0, 5, 0, 0), 0.0, 0, -1.0, None, 0.0, 1.0),
    ],
)  # fmt: skip
def test_numbers_of_known_tables(table, agreement, kappa, pabak, sensitivity, specificity, bias):
    found = self_judgement(Cells(*table))
    numbers = (found.agreement, found.kappa, found.pabak, found.sensitivity, found.specificity, found.bias)
    for number, expected in zip(
        numbers, (agreement, kappa, pabak, sensitivity, specificity, bias), strict=True
    ):
        assert number is None if expected is None else float(number) == pytest.approx(expected, abs=5e-5)


@pytest.mark.published("Gerstman, Epidemiology Kept Simple, example 10.1: po .8943, pe .7780, kappa .524")
def test_kappa_of_published_agreement():
    kappa = _kappa(Fraction("0.8943"), Fraction("0.7780"))
    assert float(kappa) == pytest.approx(0.524, abs=5e-4)


@pytest.mark.parametrize(
    ("table", "ppv", "npv", "over", "under"),
    [
        ((20, 5, 10, 15), 0.8, 0.6, 0.1, 0.2),
        ((40, 9, 6, 45), 0.8163, 0.8824, 0.09, 0.06),
        ((80, 10, 5, 5), 0.8889, 0.5, 0.1, 0.05),
    ],
)
def test_predictive_values_and_confidence_rates(table, ppv, npv, over, under):
    found = self_judgement(Cells(*table))
    numbers = (
        found.positive_predictive,
        found.negative_predictive,
        found.over_confident,
        found.under_confident,
    )
    assert [float(number) for number in numbers] == pytest.approx([ppv, npv, over, under], abs=5e-5)


@pytest.mark.published("scikit-learn cohen_kappa_score")
@pytest.mark.parametrize("seed", range(40))
def test_kappa_agrees_with_scikit_learn(seed):
    chance = random.Random(seed)  # noqa: S311 - a seeded test
    table = Cells(*(chance.randint(0, 12) + (cell == 0) for cell in range(4)))
    said = [1] * (table.both_closed + table.said_closed_was_open) + [0] * (
        table.said_open_was_closed + table.both_open
    )
    seen = (
        [1] * table.both_closed
        + [0] * table.said_closed_was_open
        + [1] * table.said_open_was_closed
        + [0] * table.both_open
    )
    found = self_judgement(table)
    if found.kappa is None:
        assert len(set(said) | set(seen)) == 1
    else:
        assert float(found.kappa) == pytest.approx(cohen_kappa_score(said, seen))


def test_when_all_trials_are_alike_kappa_has_no_meaning():
    found = self_judgement(Cells(both_closed=5))
    assert found.agreement == 1
    assert found.reasons["kappa"] == "all trials alike; kappa has no meaning"
    assert found.reasons["specificity"] == "no trial was seen open"
    assert found.reasons["negative_predictive"] == "no trial was judged open"


def test_without_pairs_nothing_is_computed_and_everything_has_a_reason():
    found = self_judgement(Cells())
    absent = [name for name in found.reasons if getattr(found, name) is not None]
    assert absent == []
    assert set(found.reasons.values()) == {"no trial has both an observation and a judgement"}


def test_what_leaves_the_table_is_counted():
    table, left_out = cells(
        [
            Trial(1, "closed", judgement="closed"),
            Trial(2, "not-closed", judgement="closed"),
            Trial(3, "closed", judgement="not-closed"),
            Trial(4, "not-closed", judgement="not-closed"),
            Trial(5, "closed", judgement="unsure"),
            Trial(6, "closed", judgement="not-asked"),
            Trial(7, "not-observable", judgement="closed"),
            Trial(8, "closed", judgement="closed", judged_before_result=False),
        ]
    )
    assert table == Cells(1, 1, 1, 1)
    assert left_out == {
        "unsure": 1,
        "not asked": 1,
        "closure not scored": 1,
        "judged after the result was shown": 1,
    }


def test_tables_pool():
    assert Cells(1, 2, 3, 4) + Cells(1, 1, 1, 1) == Cells(2, 3, 4, 5)


@given(st.tuples(*[st.integers(0, 30)] * 4))
def test_bias_is_bounded_by_disagreement(table):
    found = self_judgement(Cells(*table))
    if found.n:
        assert abs(found.bias) <= 1 - found.agreement
        assert found.over_confident + found.under_confident == 1 - found.agreement
        assert found.kappa is None or found.kappa <= found.agreement
