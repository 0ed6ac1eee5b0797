"""What is told of counts: nothing small, nothing from which something small follows, and everybody."""

from collections import Counter
from fractions import Fraction
from itertools import combinations, pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.cli.cohort_lines import lines
from service.deidentify.cells import small
from service.errors import InvalidInput
from service.jobs.cohort_answer import answer
from service.jobs.cohort_counts import Counts, Group, Judged
from service.jobs.cohort_curves import curves
from service.jobs.cohort_division import EVERYBODY, OTHERS, divided
from service.jobs.cohort_question import Question, question
from service.jobs.cohort_tree import as_rows, as_tree
from service.jobs.cohort_words import ENDINGS, IN_COHORT

GOAL = "closure-accuracy"
ended = st.dictionaries(st.sampled_from(ENDINGS), st.integers(1, 30), max_size=5)
by_time = st.dictionaries(st.integers(0, 80), ended, min_size=1, max_size=12)
strata = st.dictionaries(st.sampled_from(["a", "b", "c", "d"]), by_time, min_size=1)


def totals(found):
    return {name: sum((Counter(one) for one in times.values()), Counter()) for name, times in found.items()}


def attained(curve):
    return sum(point.ended.get("attained", 0) for point in curve.steps)


@settings(max_examples=40)
@given(found=strata)
def test_no_count_of_a_curve_and_no_difference_of_two_is_small(found):
    division = divided(totals(found), 11)
    if division is None:
        return
    told = curves(found, division, "d", 11)
    everybody, parts = told[0], told[1:] or told
    for curve in told:
        assert sum(sum(point.ended.values()) for point in curve.steps) == curve.people
        counts = [count for point in (*curve.steps, *curve.ends) for count in point.ended.values()]
        assert not any(map(small, counts))
        for one, other in combinations([*(p.at_risk for p in (*curve.steps, *curve.ends)), 0], 2):
            assert not small(abs(one - other))
    for several in range(1, len(parts)):
        for some in combinations(parts, several):
            assert not small(everybody.people - sum(one.people for one in some))
            assert not small(attained(everybody) - sum(map(attained, some)))


@settings(max_examples=40)
@given(found=strata)
def test_without_a_smallest_count_every_day_is_told(found):
    found = {name: times for name, times in found.items() if any(times.values())}
    if not found:
        return
    division = divided(totals(found), 1)
    told = {curve.stratum: curve for curve in curves(found, division, "d", 1)}
    for name, times in found.items():
        assert {point.time for point in told[name].steps} == {time for time, one in times.items() if one}
        assert all(later.waiting <= sooner.waiting for sooner, later in pairwise(told[name].steps))


def test_small_strata_are_told_together_and_few_endings_too():
    found = divided(
        {"a": {"attained": 40, "waiting": 50}, "b": {"attained": 20, "waiting": 30}, "c": {"attained": 4}}, 11
    )
    assert dict(found.strata) == {"a": ("a",), OTHERS: ("b", "c")}
    assert found.endings == ENDINGS
    assert divided({"a": {"attained": 40, "died": 3, "waiting": 50}}, 11).endings == ("attained", "left")
    ends = divided({"a": {"attained": 40, "died": 3, "discharged": 20, "waiting": 50}}, 11)
    assert ends.endings == ("attained", "ended", "waiting")
    assert ends.pooled({"died": 3, "discharged": 4}) == {"attained": 0, "ended": 7, "waiting": 0}
    assert divided({"a": {"attained": 3}, "b": {"waiting": 4}}, 11) is None
    assert list(divided({"a": {"attained": 6}, "b": {"attained": 7}}, 11).strata) == [EVERYBODY]


def counts(**more):
    ended_ = {"attained": 60, "died": 12, "discharged": 30, "waiting": 38}
    one = {Group(GOAL, ""): {"40 and more": {"attained": 55, "waiting": 38}, "no log": {"attained": 5}}}
    one[Group(GOAL, "")]["under 10"] = {"died": 12, "discharged": 30}
    banded = {Group(GOAL, ""): {"no log": ended_}}
    days = {
        Group(GOAL, ""): {
            0: {"waiting": 11},
            20: {"attained": 30},
            21: ended_ | {"attained": 30, "waiting": 27},
        }
    }
    judged = {"": {1: {"both_closed": Judged(90, 40), "said_closed_was_open": Judged(30, 20)}}}
    judged[""][2] = {"both_closed": Judged(95, 40), "said_closed_was_open": Judged(25, 4)}
    return Counts(days, {Group(GOAL, ""): {3: ended_}}, one, banded, banded, judged, **more)


def test_a_cell_that_tells_a_small_one_is_hidden_with_it():
    told = answer(counts(flow={IN_COHORT: 140, "goal without the day it began": 3}), Question())
    dose = told.kinds[0].tables[0]
    assert dose.hidden >= 4
    assert dose.counts[-1] == (60, 12, 0, 30, 38, 140)  # told by the curves too
    assert told.flow.counts == ((140,), (None,), (None,))  # the curves tell how many are in the cohort
    bias = told.judged[0]
    assert bias.judgements[1] is None  # the 25 trials of 4 people
    text = "\n".join(lines(told))
    assert "hidden" in text
    assert "median after day 0 and by 21" in text
    shown = [row[-1] for row in as_rows(told) if row[4] in ENDINGS and row[-1] != "hidden"]
    assert not any(map(small, shown))
    tree = as_tree(told)
    assert tree["kinds"][0]["days"][0]["people"] == 140
    assert tree["judgement"][0]["rows"][1]["bias"] is None


def test_with_nothing_hidden_all_is_told_exactly():
    told = answer(counts(flow={IN_COHORT: 140}), Question(smallest=1))
    assert all(table.hidden == 0 for table in (*told.kinds[0].tables, *told.judged, told.flow))
    curve = told.kinds[0].days[0]
    assert [point.time for point in curve.steps] == [0, 20, 21]
    assert curve.steps[1].waiting == Fraction(99, 129)
    assert [judged.bias for judged in told.judged[0].judgements] == [
        Fraction(1, 4),
        Fraction(5, 24),
        Fraction(11, 48),
    ]


def test_a_question_is_read_with_every_problem():
    asked = question({"by": ["site"], "first-visit": ["2024..2026"], "measure": [GOAL]}, 5)
    assert (asked.by, asked.first_visit, asked.measures, asked.smallest) == ("site", (2024, 2026), (GOAL,), 5)
    assert question({"first-visit": ["2025"]}).first_visit == (2025, 2025)
    with pytest.raises(InvalidInput) as found:
        question({"by": ["hair"], "first-visit": ["2026..2024"], "measure": ["luck"]})
    assert len(found.value.issues) == 3
