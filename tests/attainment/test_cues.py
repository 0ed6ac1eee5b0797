from dataclasses import fields, replace
from datetime import date, timedelta
from fractions import Fraction

import pytest

from service.attainment.cues import NO_CUE_IS_NOT_SAFETY, CueFacts, CueLimits, Study, cues
from service.attainment.goals import Value
from service.attainment.study import Swallow

DAY = date(2026, 9, 28)
CALM = CueFacts(DAY, screen=DAY)


def series(*values, n=None, every=14):
    days = [DAY - timedelta(every * (len(values) - 1 - place)) for place in range(len(values))]
    return [
        Value(day, Fraction(value), value if n else None, n) for day, value in zip(days, values, strict=True)
    ]


def study(*scores, day=DAY, level=0):
    return Study(day, tuple(Swallow(level, score, Fraction(5)) for score in scores))


def given(limits=None, **facts):
    return [one.code for one in cues(replace(CALM, **facts), limits)]


def test_nothing_entered_gives_no_cue_but_that_there_is_no_screen():
    assert cues(CALM) == ()
    assert [one.sentence for one in cues(CueFacts(DAY))] == ["There is no safety screen."]
    assert "absence of a cue does not mean safety" in NO_CUE_IS_NOT_SAFETY


@pytest.mark.parametrize(
    ("facts", "code"),
    [
        ({"studies": [study(7)], "diet": frozenset({0})}, "score-on-diet"),
        ({"studies": [study(2), study(3)]}, "group-worse"),
        ({"studies": [study(8, level=4)]}, "new-silent"),
        ({"intake": series(6, 5)}, "intake-fall"),
        ({"eat10": series(15, 24)}, "eat10-rise"),
        ({"weight": series(60, 57)}, "weight-loss"),
        ({"red_flags": ["fever"]}, "red-flag"),
        ({"pneumonia": 1}, "pneumonia"),
        ({"hold_seconds": Fraction(21, 2)}, "hold-long"),
        ({"effort": "strong", "effort_limit": "light"}, "effort-high"),
        ({"practice_symptoms": ["chest pain"]}, "practice-symptom"),
        ({"closure": series(4, 2, 1, n=5)}, "closure-fall"),
        ({"bias": [Value(DAY, Fraction(2, 5)), Value(DAY, Fraction(3, 5))]}, "over-confident"),
        ({"plan_start": DAY - timedelta(40), "last_log": DAY - timedelta(14)}, "no-log"),
        ({"plan_start": DAY - timedelta(14)}, "no-log"),
        ({"screen": DAY - timedelta(91)}, "screen-old"),
    ],
)
def test_what_gives_a_cue(facts, code):
    assert given(**facts) == [code]


@pytest.mark.parametrize(
    "facts",
    [
        {"studies": [study(7)], "diet": frozenset({4})},
        {"studies": [study(6)], "diet": frozenset({0})},
        {"studies": [study(None)], "diet": frozenset({0})},
        {"studies": [study(1), study(4)]},
        {"studies": [study(2), study(3, level=4)]},
        {"studies": [study(8), study(8)]},
        {"intake": series(5, 6)},
        {"intake": series(5)},
        {"eat10": series(15, 23)},
        {"weight": series(60, 58)},
        {"weight": series(60, 57, every=100)},
        {"hold_seconds": Fraction(10)},
        {"effort": "light", "effort_limit": "light"},
        {"effort": "strong"},
        {"closure": series(4, 2, 3, n=5)},
        {"closure": series(4, 2, n=5)},
        {"closure": [*series(4, n=5), *series(2, 1, n=4)]},
        {"bias": [Value(DAY, Fraction(1, 5)), Value(DAY, Fraction(3, 5))]},
        {"last_log": DAY - timedelta(40)},
        {"plan_start": DAY - timedelta(40), "last_log": DAY - timedelta(13)},
        {"screen": DAY - timedelta(90)},
    ],
)
def test_what_gives_none(facts):
    assert given(**facts) == []


def test_weight_over_half_a_year_has_its_own_limit():
    assert given(weight=series(60, 57, 54, every=80)) == ["weight-loss"]


EVERYTHING = {
    "studies": [study(2), study(8)],
    "diet": frozenset({0}),
    "intake": series(6, 3),
    "eat10": series(15, 26),
    "weight": series(60, 50),
    "red_flags": ["fever", "wet voice"],
    "pneumonia": 1,
    "hold_seconds": Fraction(12),
    "effort": "strong",
    "effort_limit": "light",
    "practice_symptoms": ["fainting"],
    "closure": series(4, 1, 1, n=5),
    "bias": [Value(DAY, Fraction(1)), Value(DAY, Fraction(1))],
    "plan_start": DAY - timedelta(60),
    "screen": DAY - timedelta(120),
}


def test_cues_come_in_a_fixed_order_each_with_its_numbers_in_words():
    found = cues(replace(CALM, **EVERYTHING))
    assert [one.sentence for one in found][:6] == [
        "Airway score 8 on level 0, which is on the current diet.",
        "Airway group on level 0 is worse than in the study before, same bolus.",
        "The newest study is the first with an airway score of 8.",
        "Oral intake level fell from 6 to 3.",
        "The EAT-10 total rose from 15 to 26.",
        "Weight is down 16.7 % within 31 days.",
    ]
    assert len(found) == len(fields(CueLimits))


@pytest.mark.parametrize("name", [field.name for field in fields(CueLimits)])
def test_every_cue_can_be_turned_off(name):
    off = False if isinstance(getattr(CueLimits(), name), bool) else None
    limits = replace(CueLimits(), **{name: off})
    assert len(given(limits, **EVERYTHING)) == len(given(**EVERYTHING)) - 1


@pytest.mark.parametrize(
    ("name", "value", "facts"),
    [
        ("score_on_diet", 8, {"studies": [study(7)], "diet": frozenset({0})}),
        ("intake_fall", 2, {"intake": series(6, 5)}),
        ("eat10_rise", 12, {"eat10": series(15, 24)}),
        ("weight_loss_month", Fraction(6, 100), {"weight": series(60, 57)}),
        ("hold_seconds", Fraction(15), {"hold_seconds": Fraction(12)}),
        ("closure_fall_trials", 3, {"closure": series(4, 2, 2, n=5)}),
        ("days_without_log", 30, {"plan_start": DAY - timedelta(20)}),
        ("screen_days", 180, {"screen": DAY - timedelta(91)}),
    ],
)
def test_every_limit_can_be_moved(name, value, facts):
    assert given(**facts) != []
    assert given(replace(CueLimits(), **{name: value}), **facts) == []
