from fractions import Fraction

import pytest

from service.attainment.study import Swallow, summaries, summary


def swallows(*scores, **more):
    return [Swallow(0, score, **more) for score in scores]


@pytest.mark.parametrize(
    ("scores", "worst", "modes", "lower_median", "shares", "groups", "worst_group"),
    [
        ((1, 2, 1, 6, 8), 8, (1,), 2, (40, 40, 20), (3, 1, 0, 1), 4),
        ((1, 1, 2), 2, (1,), 1, (0, 0, 0), (3, 0, 0, 0), 1),
        ((3, 3, 5, 5), 5, (3, 5), 3, (100, 0, 0), (0, 4, 0, 0), 2),
        ((8,), 8, (8,), 8, (100, 100, 100), (0, 0, 0, 1), 4),
        ((2, 4, 4, 1), 4, (4,), 2, (50, 0, 0), (4, 0, 0, 0), 1),
    ],
)
def test_scores_are_counted(scores, worst, modes, lower_median, shares, groups, worst_group):
    found = summary(swallows(*scores))
    assert (found.n, found.worst, found.modes, found.lower_median) == (
        len(scores),
        worst,
        modes,
        lower_median,
    )
    assert tuple(100 * share for share in (found.entered, found.aspirated, found.silent)) == shares
    assert (tuple(found.groups.values()), found.worst_group) == (groups, worst_group)
    assert sum(found.scores.values()) == len(scores)


def test_a_swallow_that_could_not_be_rated_is_left_out_and_counted():
    found = summary(swallows(1, None, 8))
    assert (found.n, found.left_out, found.silent) == (2, 1, Fraction(1, 2))
    assert summary(swallows(None)) is None
    assert summary([]) is None


def test_timing_counts_each_part_of_a_swallow_that_was_named():
    found = summary(
        [Swallow(0, 7, timing=("before", "after")), Swallow(0, 3, timing=("after",)), Swallow(0, 1)]
    )
    assert found.timing == {"before": 1, "after": 2}


def test_consistencies_and_manoeuvres_stay_apart():
    found = summaries(
        [Swallow(2, 3), *swallows(6, 7), *swallows(3, manoeuvre="supraglottic-swallow"), Swallow(4, None)]
    )
    assert {key: (one.n, one.worst) for key, one in found.items()} == {
        (0, False): (2, 7),
        (0, True): (1, 3),
        (2, False): (1, 3),
    }


def test_nothing_is_averaged():
    assert not {"mean", "average", "sd"} & set(dir(summary(swallows(1, 8))))
