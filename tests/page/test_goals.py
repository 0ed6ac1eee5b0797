from datetime import date, timedelta
from fractions import Fraction

import pytest

from service.attainment.criterion import Criterion
from service.attainment.dose import PracticeDay
from service.attainment.goals import Goal, Target, Value
from service.attainment.inputs import GoalOnFile, PatientInputs, PracticeLog, Statement
from service.attainment.patient import attain
from service.attainment.trials import Block, Trial
from service.page import words
from service.page.charts import run_chart
from service.page.goals import goal_views

FIRST = date(2026, 6, 5)
SEEN = {"1": "closed", "0": "not-closed", "x": "not-observable"}
SAID = {"1": "closed", "0": "not-closed", "-": "not-asked"}
# day, probe as observed, own judgement, block after training
VISITS = (
    (date(2026, 6, 5), "01010", "01110", "11010"),
    (date(2026, 6, 19), "11011", "11011", "11111"),
    (date(2026, 7, 3), "1101x", "1101-", "11111"),
    (date(2026, 7, 17), "11011", "11011", "11111"),
    (date(2026, 7, 31), "11011", "11011", "11111"),
    (date(2026, 8, 28), "11000", "-----", "11010"),
    (date(2026, 9, 11), "01010", "11110", "11010"),
)


def block(kind, day, observed, own=None):
    trials = tuple(
        Trial(
            number,
            SEEN[seen],
            reason="view lost" if seen == "x" else "",
            judgement=SAID[said],
            posture="chin-down",
            hold=Fraction(2),
        )
        for number, (seen, said) in enumerate(zip(observed, own or "-" * len(observed), strict=True), 1)
    )
    return Block(kind, day, trials)


def goal(*targets, step=20, statements=(), **more):
    known = Goal(targets, Fraction(step), start=FIRST, **more)
    return GoalOnFile("Goal/1", "a goal", known, statements)


CLOSURE = Target("closure-accuracy", Fraction(80))
BLOCKS = tuple(
    one
    for day, observed, own, after in VISITS
    for one in (block("pre", day, observed, own), block("post", day, after))
)


def answer(*goals, as_of=date(2026, 9, 11), **inputs):
    return attain(PatientInputs(goals, **{"blocks": BLOCKS} | inputs), as_of)


def view(*goals, **inputs):
    return goal_views(answer(*goals, **inputs))[0]


@pytest.fixture
def lost():
    return goal(CLOSURE, due=date(2026, 9, 25), statements=(Statement(FIRST, "active", "achieved"),))


def test_every_number_is_the_answers_own(lost):
    computed = answer(lost)
    shown, found = goal_views(computed)[0], computed.goals[0]
    assert [(one.day, one.value, one.trials.k, one.trials.n) for one in shown.readings] == [
        (one.day, one.value.value, one.value.k, one.value.n) for one in found.readings
    ]
    assert [(one.low, one.high) for one in shown.readings] == [
        (one.interval.low, one.interval.high) for one in found.readings
    ]
    assert (shown.computed, shown.rule) == (found.status.code, str(found.status.rule)) == ("worsening", "6")
    assert (shown.attained, shown.regressed) == (date(2026, 7, 17), date(2026, 9, 11))
    assert (shown.run, shown.needed, shown.met, shown.days_left) == (0, 2, False, 14)
    assert (shown.stated, shown.lifecycle) == ("achieved", "active")


def test_what_stands_beside_a_result_is_kept_apart_from_it(lost):
    shown = view(lost)
    assert [words.count(one.after) for one in shown.readings[:3]] == ["3 of 5", "5 of 5", "5 of 5"]
    assert [words.count(one.agreement) for one in shown.readings] == [
        "4 of 5",
        "5 of 5",
        "4 of 4",
        "5 of 5",
        "5 of 5",
        "",
        "3 of 5",
    ]
    assert "1 not observable: view lost" in shown.readings[2].left_out
    assert not shown.readings[2].counts


@pytest.mark.published("Wilson 1927: 4 of 5 gives 0.3755 to 0.9638 at 95 %")
def test_the_rough_sentence_has_wilsons_limits(lost):
    shown = view(lost, as_of=date(2026, 7, 31))
    assert words.rough(shown.latest, shown.measure) == (
        "4 of 5; with so few trials the true rate could be about 38 % to 96 %."
    )


def test_a_met_criterion_says_by_which_run(lost):
    shown = view(lost, as_of=date(2026, 7, 31))
    assert words.criterion(shown) == "80 % or more on 2 consecutive visits: met on 17 Jul 2026"
    assert shown.met_run == (date(2026, 6, 19), date(2026, 7, 17))
    assert shown.why == (
        "the criterion was met by the run of 19 Jun 2026 to 17 Jul 2026, together 8 of 10 trials, "
        "95 % interval 49 % to 94 %; 1 later visit counts"
    )


def test_the_rule_of_direction_is_told_with_its_numbers(lost):
    assert view(lost).why == (
        "over the last 3 results 40 points worse (S −2), 40 points worse than the target; "
        "a change counts from 20 points"
    )
    assert view(lost, as_of=FIRST).why == "fewer than 3 results so far"
    assert view(lost, blocks=()).why == "nothing has been measured yet"


def test_a_goal_that_was_never_met_in_time_says_so():
    shown = view(goal(CLOSURE, due=date(2026, 6, 10)), as_of=date(2026, 6, 19))
    assert shown.why.startswith("the criterion was never met and due 2026-06-10 has passed")
    assert words.due(shown) == "10 Jun 2026, 9 days past due"


@pytest.mark.parametrize(
    ("target", "text"),
    [
        (CLOSURE, "80 % or more"),
        (Target("closure-accuracy", Fraction(80), strict=True), "above 80 %"),
        (Target("eat10-total", Fraction(10), higher_is_better=False), "10 points or less"),
        (Target("oral-intake-level", Fraction(6)), "level 6 or higher"),
        (
            Target("judgement-bias", Fraction(1, 5), higher_is_better=False, absolute=True),
            "0.2 or less either way",
        ),
        (Target("airway-entry-group", Fraction(2), higher_is_better=False), "group B or better"),
        (Target("hold-time", Fraction(9, 2)), "4.5 s or more"),
        (Target("something-else", Fraction(3)), "3 or more"),
    ],
)
def test_targets_are_written_in_their_unit(target, text):
    assert view(goal(target)).target_words == text


def test_several_targets_are_named():
    bias = Target("judgement-bias", Fraction(1, 5), higher_is_better=False, absolute=True)
    shown = view(goal(Target("judgement-agreement", Fraction(80)), bias))
    assert shown.target_words == "80 % or more and own judgement bias 0.2 or less either way"


@pytest.mark.parametrize(
    ("code", "scores", "trend"),
    [
        ("eat10-total", (22, 19, 15, 11), "−3.38 points a week over 4 results (median slope)"),
        ("oral-intake-level", (4, 4, 5, 6), "rising less falling pairs +5 over 4 results"),
        ("eat10-total", (22, 22, 22, 22), "4 results, all alike"),
        ("eat10-total", (22, 11), "too few results for a slope"),
        ("eat10-total", (22,), ""),
    ],
)
def test_a_trend_is_told_as_far_as_it_goes(code, scores, trend):
    days = [FIRST + timedelta(days=offset) for offset in (0, 14, 21, 28)]
    values = tuple(Value(day, Fraction(score)) for day, score in zip(days, scores, strict=False))
    target = Target(code, Fraction(10 if "eat" in code else 6), higher_is_better="eat" not in code)
    shown = view(goal(target, criterion=Criterion(visits=1)), scores={code: values})
    assert shown.trend == trend
    assert len(shown.readings) == len(scores)


def test_both_readings_of_missing_practice_days_are_told(lost):
    def log(*done, returned=True):
        days = tuple(
            PracticeDay(FIRST + timedelta(days=i), Fraction(30), None if one is None else Fraction(one))
            for i, one in enumerate(done)
        )
        return PracticeLog(days[0].day, days[-1].day, returned, days)

    shown = view(lost, logs=(log(30, 30, 0, 45, 30, None, 15),))
    assert words.practice(shown.practice) == (
        "75 % of logged days; 64 % counting unlogged days as zero "
        "(6 of 7 days with a log, 5 Jun 2026 to 11 Jun 2026)"
    )
    shown = view(lost, logs=(log(None, None, returned=False),))
    assert words.practice(shown.practice) == (
        "log not returned; 0 % counting unlogged days as zero "
        "(0 of 2 days with a log, 5 Jun 2026 to 6 Jun 2026)"
    )


def test_a_goal_on_hold_is_marked_from_its_day():
    held = goal(CLOSURE, statements=(Statement(date(2026, 8, 28), "on-hold", "", "red flag"),))
    shown = view(held)
    assert (shown.held_since, shown.stated_reason) == (date(2026, 8, 28), "red flag")


@pytest.mark.parametrize(
    "code", ["closure-accuracy", "judgement-agreement", "judgement-bias", "hold-time", "other"]
)
def test_every_measure_can_be_drawn(code):
    target = Target(code, Fraction(1, 5), higher_is_better=code != "judgement-bias")
    shown = view(goal(target), scores={"other": (Value(FIRST, Fraction(250)), Value(FIRST, Fraction(-3)))})
    assert run_chart(shown).startswith("<svg")
    low, high = shown.measure.low, shown.measure.high
    assert all(low <= one.value <= high for one in shown.readings if one.value is not None)


def test_a_goal_without_a_target_is_still_shown():
    shown = view(goal())
    assert shown.target_words == "no target that can be computed"
    assert shown.readings == ()
    assert words.status(shown.computed) == "not yet measured"


def test_both_sides_of_a_bias_target_are_drawn():
    bias = Target("judgement-bias", Fraction(1, 5), higher_is_better=False, absolute=True)
    shown = view(goal(bias))
    assert words.direction(shown.measure) == "nearer 0 is better"
    assert "goal +0.2" in run_chart(shown)
    assert "goal -0.2" in run_chart(shown) or "goal \u22120.2" in run_chart(shown)


def score(measure, *totals):
    days = [FIRST + timedelta(14 * place) for place in range(len(totals))]
    return {
        "scores": {
            measure: tuple(Value(day, Fraction(total)) for day, total in zip(days, totals, strict=True))
        }
    }


EAT10 = goal(Target("eat10-total", Fraction(10), higher_is_better=False), step=9)


@pytest.mark.parametrize(
    ("totals", "sentence"),
    [
        ((22, 15, 11), "−11 points, a reliable improvement (9 or more is reliable, approximately)"),
        (
            (13, 9, 7),
            "−6 points, not more than the score varies by itself (9 or more is reliable, approximately)",
        ),
        ((15,), ""),
    ],
)
def test_a_score_says_whether_it_moved_by_more_than_it_does_by_itself(totals, sentence):
    assert view(EAT10, **score("eat10-total", *totals)).reliable_change == sentence


def test_where_nothing_is_published_nothing_is_made_up():
    level = goal(Target("oral-intake-level", Fraction(6)), step=1)
    assert view(level, **score("oral-intake-level", 4, 6)).reliable_change == "no agreed important difference"


def test_luck_is_told_for_a_share_of_trials(lost):
    assert view(lost).luck == (
        "somebody whose true rate is 60 % meets this criterion within 7 visits 45 times in 100"
    )
    assert view(EAT10, **score("eat10-total", 22, 15)).luck == ""
