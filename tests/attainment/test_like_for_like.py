from datetime import date

import pytest

from service.attainment.like_for_like import compare_studies, manoeuvre_effects
from service.attainment.study import Study, Swallow

THIN_5, THIN_10 = {"consistency": 0, "volume": 5}, {"consistency": 0, "volume": 10}


def compared(before, after, *methods):
    then, now = methods or ("", "")
    days = date(2026, 1, 27), date(2026, 3, 26)
    return compare_studies(Study(days[0], tuple(before), then), Study(days[1], tuple(after), now))


def swallow(score, manoeuvre="", **kind):
    return Swallow(score=score, manoeuvre=manoeuvre, **kind)


def test_only_the_same_bolus_with_the_same_manoeuvre_is_compared():
    before = [swallow(6, **THIN_5), swallow(7, **THIN_10), swallow(3, "chin-down", **THIN_10)]
    after = [swallow(2, **THIN_5), swallow(8, "chin-down", **THIN_10), swallow(1, consistency=4, volume=5)]
    found = compared(before, after)
    assert [(one.volume, one.manoeuvre, one.first, one.second, one.effect) for one in found.pairs] == [
        (5, "", 6, 2, "better"),
        (10, "chin-down", 3, 8, "worse"),
    ]
    assert (found.left_out, found.reason) == (2, "")


def test_studies_of_different_boluses_are_not_comparable():
    found = compared([swallow(6, **THIN_5)], [swallow(1, **THIN_10)])
    assert (found.pairs, found.reason) == ((), "not comparable: different boluses")
    assert compared([], []).reason


@pytest.mark.parametrize(
    ("methods", "reason"),
    [
        (
            ("endoscopic", "videofluoroscopic"),
            "not comparable: different methods (endoscopic before, videofluoroscopic now)",
        ),
        (("endoscopic", "endoscopic"), ""),
        (("", "endoscopic"), ""),
    ],
)
def test_studies_by_different_methods_are_not_compared(methods, reason):
    found = compared([swallow(6, **THIN_5)], [swallow(1, **THIN_5)], *methods)
    assert found.reason == reason
    assert (len(found.pairs), found.left_out) == ((0, 1) if reason else (1, 0))


def test_of_several_alike_the_worst_counts():
    (pair,) = compared([swallow(2, **THIN_5), swallow(7, **THIN_5)], [swallow(6, **THIN_5)]).pairs
    assert (pair.first, pair.effect) == (7, "better")


@pytest.mark.parametrize(
    ("first", "second", "effect", "group_effect"),
    [(1, 4, "worse", "same"), (4, 3, "better", "worse"), (5, 6, "worse", "same"), (8, 8, "same", "same")],
)
def test_the_order_of_scores_is_not_that_of_groups(first, second, effect, group_effect):
    (pair,) = compared([swallow(first, **THIN_5)], [swallow(second, **THIN_5)]).pairs
    assert (pair.effect, pair.group_effect) == (effect, group_effect)


def test_a_manoeuvre_is_held_against_the_same_bolus_without_it():
    found = manoeuvre_effects(
        [swallow(6, **THIN_5), swallow(7, **THIN_10), swallow(3, "supraglottic-swallow", **THIN_10)]
    )
    assert [(one.manoeuvre, one.first, one.second, one.effect) for one in found] == [
        ("supraglottic-swallow", 7, 3, "better")
    ]


@pytest.mark.parametrize("plain", [[], [swallow(7, **THIN_5)], [swallow(None, **THIN_10)]])
def test_without_a_comparison_swallow_there_is_no_effect(plain):
    (found,) = manoeuvre_effects([*plain, swallow(3, "chin-down", **THIN_10)])
    assert (found.first, found.effect, found.group_effect) == (None, "no comparison", "no comparison")
