import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.attainment.scaling import Rating, scaling, t_score
from service.errors import RuleViolation

FORMULA = "Turner-Stokes 2009, Clin Rehabil 23:362 (formula of Kiresuk & Sherman 1968, erratum included)"
UNIT_STEPS = [10.0, 6.2017, 4.5644, 3.6274, 3.0151, 2.5820, 2.2588, 2.0080, 1.8078, 1.6440]
BY_SUM = {
    1: {-2: 30.0, -1: 40.0, 0: 50.0, 1: 60.0, 2: 70.0},
    2: {-4: 25.2, -3: 31.4, -2: 37.6, -1: 43.8, 0: 50.0, 1: 56.2, 2: 62.4, 3: 68.6, 4: 74.8},
    3: {-6: 22.6, -5: 27.2, -4: 31.7, -3: 36.3, -2: 40.9, -1: 45.4, 0: 50.0, 1: 54.6, 2: 59.1, 3: 63.7,
        4: 68.3, 5: 72.8, 6: 77.4},
    4: {-8: 21.0, -6: 28.2, -5: 31.9, -4: 35.5, -3: 39.1, -2: 42.7, -1: 46.4, 0: 50.0, 1: 53.6, 2: 57.3,
        3: 60.9, 4: 64.5, 5: 68.1, 6: 71.8, 8: 79.0},
    5: {-10: 19.8, -6: 31.9, -5: 34.9, -4: 37.9, -3: 41.0, -2: 44.0, -1: 47.0, 0: 50.0, 1: 53.0, 2: 56.0,
        3: 59.0, 4: 62.1, 5: 65.1, 6: 68.1, 10: 80.2},
    6: {-12: 19.0, -6: 34.5, -5: 37.1, -4: 39.7, -3: 42.3, -2: 44.8, -1: 47.4, 0: 50.0, 1: 52.6, 2: 55.2,
        3: 57.7, 4: 60.3, 5: 62.9, 6: 65.5, 12: 81.0},
    7: {-14: 18.4, -7: 34.2, -1: 47.7, 0: 50.0, 1: 52.3, 5: 61.3, 14: 81.6},
    8: {-16: 17.9, -8: 33.9, -1: 48.0, 0: 50.0, 1: 52.0, 5: 60.0, 16: 82.1},
}  # fmt: skip


def levels(n: int, total: int) -> list[int]:
    """n levels from -2 to +2 with this sum."""
    found = []
    for left in range(n, 0, -1):
        level = max(-2, min(2, round(total / left)))
        found.append(level)
        total -= level
    return found


@pytest.mark.published(FORMULA)
@pytest.mark.parametrize(
    ("n", "total", "t"), [(n, s, t) for n, row in BY_SUM.items() for s, t in row.items()]
)
def test_t_of_equal_weights_by_sum_of_levels(n, total, t):
    assert t_score(levels(n, total)) == pytest.approx(t, abs=0.0500001)


@pytest.mark.published(FORMULA)
@pytest.mark.parametrize(("n", "step"), list(enumerate(UNIT_STEPS, 1)))
def test_one_level_of_one_goal_moves_t_by_its_unit_step(n, step):
    assert t_score([1] + [0] * (n - 1)) - 50 == pytest.approx(step, abs=5e-5)


@pytest.mark.published(FORMULA)
@pytest.mark.parametrize(
    ("found", "weights", "t"),
    [
        ((-1, -1, -1), None, 36.31),
        ((0, 1, -1), (3, 2, 1), 52.20),
        ((0, 1, -1), (6, 4, 2), 52.20),
        ((-1, -2, -1), None, 31.74),
        ((0, 1, 0), None, 54.56),
        ((-1, -1, -2), (6, 4, 2), 34.58),
        ((1,), None, 60.0),
        ((2, 2, 2), None, 77.39),
        ((-2, -2, -2), None, 22.61),
    ],
)
def test_t_of_examples(found, weights, t):
    assert t_score(found, weights) == pytest.approx(t, abs=5e-3)


def test_the_change_is_against_the_goals_own_baselines():
    found = scaling([Rating("a", -1, 0), Rating("b", -2, 1), Rating("c", -1, 0)])
    assert (found.start, found.now) == pytest.approx((31.74, 54.56), abs=5e-3)
    assert found.change == pytest.approx(22.82, abs=5e-3)
    assert found.left_out == {}


def test_a_goal_that_is_not_rated_is_left_out_and_named():
    found = scaling([Rating("a", -1, 1, weight=6), Rating("b", -2, weight=4)])
    assert found.left_out == {"b": "not rated yet"}
    assert (found.goals, found.weights) == (("a",), (6,))
    assert (found.start, found.now, found.change) == pytest.approx((40, 60, 20))


def test_before_any_rating_there_is_a_start_but_no_change():
    found = scaling([Rating("a", -1), Rating("b", -2)])
    assert found.start == pytest.approx(31.4, abs=0.05)
    assert (found.now, found.change, found.reason) == (None, None, "no goal is rated yet")


def test_without_goals_there_is_no_score():
    found = scaling([])
    assert (found.start, found.now, found.change, found.reason) == (None, None, None, "no goal is scaled")
    assert t_score([]) is None


def test_weights_must_not_all_be_0():
    with pytest.raises(RuleViolation, match=r"^At least one goal needs a weight above 0\.$"):
        t_score([0, 1], [0, 0])


def test_levels_out_of_range_are_all_named():
    with pytest.raises(RuleViolation) as refused:
        t_score([3, 0, -4])
    assert [issue.message for issue in refused.value.issues] == [
        "Scaling level 3 is not one of -2, -1, 0, +1, +2.",
        "Scaling level -4 is not one of -2, -1, 0, +1, +2.",
    ]


def test_weights_are_not_negative():
    with pytest.raises(RuleViolation, match="can't be below 0"):
        t_score([0, 1], [1, -1])


weighted = st.lists(st.tuples(st.integers(-2, 2), st.integers(1, 9)), min_size=1, max_size=8)


@given(weighted, st.integers(2, 5))
def test_multiplying_all_weights_does_not_change_t(goals, factor):
    found, weights = zip(*goals, strict=True)
    assert t_score(found, weights) == pytest.approx(t_score(found, [factor * weight for weight in weights]))


@given(weighted)
def test_turning_every_level_around_mirrors_t_at_50(goals):
    found, weights = zip(*goals, strict=True)
    assert t_score(found, weights) - 50 == pytest.approx(50 - t_score([-level for level in found], weights))
