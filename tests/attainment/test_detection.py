import pytest
from scipy.stats import norm

from service.attainment.detection import detection, log_linear
from service.attainment.self_judgement import Cells


@pytest.mark.parametrize(
    ("counts", "expected"),
    [
        pytest.param(
            (82, 46, 100, 100),
            (0.816832, 0.460396, 1.002793, -0.401960, 0.099436),
            marks=pytest.mark.published("statpsych (R), signal(): d' 1.002793, c -0.401960"),
        ),
        ((6, 2, 7, 3), (0.8125, 0.6250, 0.568507, -0.602893, -0.318639)),
        ((4, 1, 4, 1), (0.9, 0.75, 0.607062, -0.978021, -0.674490)),
        ((0, 5, 5, 5), (0.083333, 0.916667, -2.765988, 0, -1.382994)),
        ((5, 5, 5, 5), (0.916667, 0.916667, 0, -1.382994, -1.382994)),
    ],
)
def test_rates_are_corrected_before_they_are_turned_into_scores(counts, expected):
    assert log_linear(*counts) == pytest.approx(expected, abs=5e-7)


def test_cells_are_hits_and_false_alarms():
    found = detection(Cells(both_closed=82, said_closed_was_open=46, said_open_was_closed=18, both_open=54))
    assert (found.signals, found.noise) == (100, 100)
    assert (found.d_prime, found.criterion) == pytest.approx((1.002793, -0.401960), abs=5e-7)
    assert found.reason == ""


@pytest.mark.parametrize("cells", [Cells(5, 0, 0, 0), Cells(4, 5, 0, 5), Cells(5, 4, 5, 0), Cells()])
def test_with_few_trials_of_a_kind_nothing_is_shown(cells):
    found = detection(cells)
    numbers = (found.hit_rate, found.false_alarm_rate, found.d_prime, found.criterion, found.threshold)
    assert numbers == (None,) * 5
    assert found.reason == "fewer than 5 trials seen closed, or seen open"


def test_five_of_each_kind_are_enough():
    assert detection(Cells(3, 2, 2, 3)).d_prime > 0


@pytest.mark.published("scipy norm.ppf")
def test_scores_are_those_of_the_normal_distribution(tell):
    compared = 0
    for hits in range(8):
        for false_alarms in range(10):
            hit, false, d_prime, criterion, threshold = log_linear(hits, false_alarms, 7, 9)
            assert d_prime == pytest.approx(norm.ppf(hit) - norm.ppf(false), abs=1e-9)
            assert criterion == pytest.approx(-(norm.ppf(hit) + norm.ppf(false)) / 2, abs=1e-9)
            assert threshold == pytest.approx(criterion + d_prime / 2, abs=1e-9)
            compared += 1
    tell(f"{compared} pairs of d' and c compared with scipy")
