from fractions import Fraction
from itertools import product

import pytest
from scipy.stats import binom

from service.attainment.luck import chance_of_run, chance_of_visit, luck

RATES = [Fraction(tenths, 10) for tenths in (0, 3, 5, 6, 7, 8, 9, 10)]


def rounded(rate, trials, run):
    found = luck(Fraction(rate), Fraction(4, 5), trials, visits_in_a_row=run, visits=6)
    return tuple(round(float(value), 4) for value in (found.visit, found.run, found.within))


@pytest.mark.parametrize(
    ("rate", "of_five", "three_in_a_row", "of_ten"),
    [
        ("0.3", (0.0308, 0.0009, 0.0046), 0.0001, (0.0016, 0.0000)),
        ("0.5", (0.1875, 0.0352, 0.1466), 0.0227, (0.0547, 0.0143)),
        ("0.6", (0.3370, 0.1135, 0.3919), 0.1144, (0.1673, 0.1194)),
        ("0.7", (0.5282, 0.2790, 0.7148), 0.3560, (0.3828, 0.4736)),
        ("0.8", (0.7373, 0.5436, 0.9392), 0.7166, (0.6778, 0.8936)),
        ("0.9", (0.9185, 0.8437, 0.9979), 0.9644, (0.9298, 0.9987)),
    ],
)
def test_four_of_five_on_two_visits_is_a_weak_criterion(rate, of_five, three_in_a_row, of_ten):
    assert rounded(rate, 5, 2) == of_five
    assert rounded(rate, 5, 3)[2] == three_in_a_row
    ten = rounded(rate, 10, 2)
    assert (ten[0], ten[2]) == of_ten


def test_the_share_wanted_is_rounded_up_to_whole_trials():
    assert luck(Fraction(1, 2), Fraction(4, 5), 4, visits_in_a_row=1, visits=1).needed == 4
    assert luck(Fraction(1, 2), Fraction(4, 5), 5, visits_in_a_row=1, visits=1).needed == 4


@pytest.mark.published("scipy binom.sf")
def test_one_visit_is_binomial(tell):
    cases = list(product(range(1, 12), range(13), RATES))
    for trials, needed, rate in cases:
        expected = binom.sf(needed - 1, trials, float(rate))
        assert float(chance_of_visit(rate, needed, trials)) == pytest.approx(expected, abs=1e-12)
    tell(f"{len(cases)} chances of a visit compared with scipy")


@pytest.mark.parametrize("length", [1, 2, 3, 4])
@pytest.mark.parametrize("visits", [1, 2, 5, 7])
@pytest.mark.parametrize("chance", RATES)
def test_a_run_is_counted_over_every_order_of_visits(length, visits, chance):
    expected = Fraction(0)
    for order in product((True, False), repeat=visits):
        if "1" * length in "".join("1" if met else "0" for met in order):
            expected += chance ** sum(order) * (1 - chance) ** (visits - sum(order))
    assert chance_of_run(chance, length, visits) == expected


@pytest.mark.published("OEIS A000073 from memory: binary words without 111 number 2, 4, 7, 13, 24, 44")
@pytest.mark.parametrize(("tosses", "without"), list(enumerate((2, 4, 7, 13, 24, 44), 1)))
def test_runs_of_three_heads(tosses, without):
    assert 1 - chance_of_run(Fraction(1, 2), 3, tosses) == Fraction(without, 2**tosses)
