import pytest

from service.deidentify.small_cells import alone, diversity, people_below, plan, smallest_class

# 21 records in five classes: k = 1; at k = 5 the classes of 4 and 1 fall out; at k = 11 all do.
CLASSES = {"a": 6, "b": 5, "c": 4, "d": 5, "e": 1}


def test_k_is_the_smallest_class():
    assert smallest_class(CLASSES) == 1
    assert smallest_class({}) == 0


def test_people_in_classes_that_are_too_small():
    assert people_below(CLASSES, 5) == 5
    assert people_below(CLASSES, 11) == 21
    assert alone(CLASSES) == 1


@pytest.mark.parametrize(("k", "out"), [(5, 5), (11, 21)])
def test_people_of_small_classes_are_suppressed(k, out):
    people = {(name, n): (name,) for name, size in CLASSES.items() for n in range(size)}
    levels = plan(people, k)
    assert list(levels.values()).count(1) == out
    assert {person for person, level in levels.items() if level == 0} == {
        one for one in people if CLASSES[one[0]] >= k
    }


def made_wider(sizes, wide):
    return {(year, n): (year, wide[year]) for year, size in sizes.items() for n in range(size)}


def test_classes_too_small_are_widened_or_suppressed():
    wide = {"1957": "60-69", "1958": "60-69", "1959": "60-69", "1971": "50-59"}
    levels = plan(made_wider({"1957": 3, "1958": 2, "1959": 5, "1971": 4}, wide), 5)
    assert {(year, level) for (year, _), level in levels.items()} == {
        ("1957", 1),
        ("1958", 1),
        ("1959", 0),
        ("1971", 2),
    }


def test_people_who_leave_as_they_are_do_not_hide_the_widened():
    levels = plan(made_wider({"1958": 4, "1959": 5}, {"1958": "60-69", "1959": "60-69"}), 5)
    assert {level for (year, _), level in levels.items() if year == "1958"} == {2}


def test_each_step_is_taken_only_by_those_who_still_need_it():
    people = dict.fromkeys(range(3), ("alike",) * 3)
    people |= {3 + n: (f"y{n}", "decade", "decade") for n in range(3)}
    people |= {6 + n: (f"z{n}", f"d{n}", "all") for n in range(3)} | {9: ("x", "x", "x")}
    assert list(plan(people, 3).values()) == [0] * 3 + [1] * 3 + [2] * 3 + [3]
    assert plan({}, 3) == {}


def test_a_class_that_shares_one_value_has_a_diversity_of_one():
    assert diversity([("a", 1), ("a", 2), ("b", 3), ("b", 3)]) == 1
    assert diversity([("a", 1), ("a", 2), ("b", 3), ("b", 4), ("b", 5)]) == 2
    assert diversity([]) == 0
