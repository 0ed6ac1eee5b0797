from dataclasses import fields, replace
from datetime import date, timedelta
from fractions import Fraction

import pytest

from service.attainment.cues import NO_CUE_IS_NOT_SAFETY, CueFacts, CueLimits, cues
from service.attainment.goals import Value
from service.attainment.inputs import Exertion, Noted, Plan
from service.attainment.study import Study, Swallow

DAY = date(2026, 9, 28)


def noted(*words, ago=0, source="Observation/noted"):
    return Noted(DAY - timedelta(ago), words, (source,))


def plan(ago):
    return Plan("CarePlan/p", DAY - timedelta(ago))


def exertion(hold=None, effort=""):
    held = Value(DAY, Fraction(hold), evidence=("Observation/hold",)) if hold else None
    return Exertion(DAY, held, noted(effort, source="Observation/effort") if effort else None)


CALM = CueFacts(DAY, screen=noted(), screen_needed=True)
DIET_0 = [Value(DAY, Fraction(0), evidence=("Observation/diet",))]


def series(*values, n=None, every=14):
    days = [DAY - timedelta(every * (len(values) - 1 - place)) for place in range(len(values))]
    return [
        Value(day, Fraction(value), value if n else None, n, (f"Observation/{day}",))
        for day, value in zip(days, values, strict=True)
    ]


def study(*scores, day=DAY, level=0):
    return Study(
        day, tuple(Swallow(level, score, Fraction(5), evidence=f"Observation/{score}") for score in scores)
    )


def by(method, score):
    return replace(study(score), method=method)


def given(limits=None, **facts):
    return [one.code for one in cues(replace(CALM, **facts), limits)]


def test_nothing_entered_gives_no_cue_but_that_there_is_no_screen():
    assert cues(CALM) == ()
    assert cues(CueFacts(DAY)) == ()
    needed = cues(CueFacts(DAY, screen_needed=True))
    assert [one.sentence for one in needed] == ["There is no safety screen."]
    assert "absence of a cue does not mean safety" in NO_CUE_IS_NOT_SAFETY


@pytest.mark.parametrize(
    ("facts", "code"),
    [
        ({"studies": [study(7)], "diet": DIET_0}, "score-on-diet"),
        ({"studies": [study(2), study(3)]}, "group-worse"),
        (
            {"studies": [by("endoscopic", 2), by("videofluoroscopic", 1), by("endoscopic", 3)]},
            "group-worse",
        ),
        ({"studies": [study(8, level=4)]}, "new-silent"),
        ({"intake": series(6, 5)}, "intake-fall"),
        ({"eat10": series(15, 24)}, "eat10-rise"),
        ({"weight": series(60, 57)}, "weight-loss"),
        ({"eat10": series(15, 20, 26)}, "eat10-rise"),
        ({"red_flags": noted("fever")}, "red-flag"),
        ({"pneumonia": Value(DAY, Fraction(1), evidence=("Observation/p",))}, "pneumonia"),
        ({"exertion": exertion(hold="10.5")}, "hold-long"),
        ({"exertion": exertion(effort="strong"), "effort_limit": noted("light")}, "effort-high"),
        ({"symptoms": [noted("chest pain")]}, "practice-symptom"),
        ({"closure": series(4, 2, 1, n=5)}, "closure-fall"),
        ({"closure": series(3, 2, 1, 1, n=5)}, "closure-fall"),
        ({"bias": series(Fraction(2, 5), Fraction(3, 5))}, "over-confident"),
        ({"plan": plan(40), "last_log": noted(ago=14)}, "no-log"),
        ({"plan": plan(14)}, "no-log"),
        ({"screen": noted(ago=91)}, "screen-old"),
    ],
)
def test_what_gives_a_cue_and_where_it_stands(facts, code):
    (found,) = cues(replace(CALM, **facts))
    assert found.code == code
    assert found.evidence
    assert len(set(found.evidence)) == len(found.evidence)


@pytest.mark.parametrize(
    "facts",
    [
        {"studies": [study(7, level=4)], "diet": DIET_0},
        {"studies": [study(6)], "diet": DIET_0},
        {"studies": [study(None)], "diet": DIET_0},
        {"studies": [study(1), study(4)]},
        {"studies": [study(2), study(3, level=4)]},
        {"studies": [by("endoscopic", 2), by("videofluoroscopic", 3)]},
        {"studies": [study(8), study(8)]},
        {"intake": series(5, 6)},
        {"intake": series(5)},
        {"eat10": series(15, 23)},
        {"weight": series(60, 58)},
        {"weight": series(60, 57, every=100)},
        {"eat10": series(15, 24, every=200)},
        {"red_flags": noted()},
        {"pneumonia": Value(DAY, Fraction(0))},
        {"exertion": exertion(hold=10)},
        {"exertion": exertion(effort="light"), "effort_limit": noted("light")},
        {"exertion": exertion(effort="strong")},
        {"exertion": exertion(effort="strong"), "effort_limit": noted("")},
        {"closure": series(4, 2, 3, n=5)},
        {"closure": series(4, 2, n=5)},
        {"closure": series(4, 2, 2, n=5, every=100)},
        {"closure": [*series(4, n=5), *series(2, 1, n=4)]},
        {"bias": series(Fraction(1, 5), Fraction(3, 5))},
        {"last_log": noted(ago=40)},
        {"plan": plan(40), "last_log": noted(ago=13)},
        {"screen": noted(ago=90)},
        {"screen": None, "screen_needed": False},
    ],
)
def test_what_gives_none(facts):
    assert given(**facts) == []


def test_red_flags_come_before_all_other_cues():
    falls = {"intake": series(6, 5), "eat10": series(15, 24), "studies": [study(8)], "diet": DIET_0}
    assert given(**falls, red_flags=noted("fever"))[0] == "red-flag"


def test_a_loss_of_weight_is_said_once():
    assert given(weight=series(60, 50)) == ["weight-loss"]


def test_weight_over_half_a_year_has_its_own_limit():
    assert given(weight=series(60, 57, 54, every=80)) == ["weight-loss"]


EVERYTHING = {
    "studies": [study(2), study(8)],
    "diet": DIET_0,
    "intake": series(6, 3),
    "eat10": series(15, 26),
    "weight": [*series(62, 62, every=120)[:1], *series(55, 50)],
    "red_flags": noted("fever", "new-wet-voice"),
    "pneumonia": Value(DAY, Fraction(1)),
    "exertion": exertion(12, "strong"),
    "effort_limit": noted("light"),
    "symptoms": [noted("fainting"), noted("chest pain"), noted("fainting", ago=1)],
    "closure": series(4, 1, 1, n=5),
    "bias": series(1, 1),
    "plan": plan(60),
    "screen": noted(ago=120),
}


def test_cues_come_in_a_fixed_order_each_with_its_numbers_in_words():
    found = cues(replace(CALM, **EVERYTHING))
    assert [one.sentence for one in found] == [
        "Red flags answered yes on 2026-09-28: fever, new wet voice.",
        "Airway score 8 on level 0, which is on the current diet.",
        "Airway score 8 after 2 in the study before, same bolus: level 0, 5 mL.",
        "The newest study is the first with an airway score of 8.",
        "Oral intake level fell from 6 (2026-09-14) to 3.",
        "The EAT-10 total rose from 15 (2026-09-14) to 26.",
        "Weight is down 9.1 % since 2026-09-14.",
        "Weight is down 19.4 % since 2026-05-31.",
        "Pneumonia since the visit before.",
        "A breath-hold lasted 12 s; the limit is 10 s.",
        "Effort was strong; cleared is light.",
        "Symptoms with practice: fainting, chest pain.",
        "Closed trials fell from 4 (2026-08-31) to 1 and 1 of 5.",
        "Over-confident at the last two measured visits (+1, +1).",
        "No practice log for 60 days.",
        "The safety screen is 120 days old.",
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
        ("score_on_diet", 8, {"studies": [study(7)], "diet": DIET_0}),
        ("intake_fall", 2, {"intake": series(6, 5)}),
        ("eat10_rise", 12, {"eat10": series(15, 24)}),
        ("weight_loss_month", Fraction(6, 100), {"weight": series(60, 57)}),
        ("hold_seconds", Fraction(15), {"exertion": exertion(12)}),
        ("closure_fall_trials", 3, {"closure": series(4, 2, 2, n=5)}),
        ("days_without_log", 30, {"plan": plan(20)}),
        ("screen_days", 180, {"screen": noted(ago=91)}),
    ],
)
def test_every_limit_can_be_moved(name, value, facts):
    assert given(**facts) != []
    assert given(replace(CueLimits(), **{name: value}), **facts) == []
