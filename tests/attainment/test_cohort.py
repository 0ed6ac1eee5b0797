"""Who counts in which population of a panel, and that counting in any order and in parts is the same."""

from datetime import date, timedelta
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.attainment.cohort import NOT_MEASURED, Cohort, Span, cases
from service.attainment.criterion import Criterion
from service.attainment.goals import Goal, Target, Value
from service.attainment.inputs import CareFacts, Ending, GoalOnFile, PatientInputs, Statement
from service.attainment.intervals import wilson
from service.attainment.patient import attain

START = date(2026, 1, 5)
SPAN = Span(date(2026, 2, 1), date(2026, 2, 28))
KIND = "eat10-total"


def on_file(name="Goal/1", *, start=START, statements=(), target=10):
    goal = Goal(
        targets=(Target(KIND, Fraction(target), higher_is_better=False),),
        step=Fraction(9),
        criterion=Criterion(visits=1, min_trials=1, dips=2),
        start=start,
    )
    return GoalOnFile(name, "Scores lower", goal, statements=tuple(statements))


def person(*values, goals=None, ends=()):
    """Cases of a person with EAT-10 totals, and ends of care, on days after START."""
    scores = tuple(Value(START + timedelta(days=day), Fraction(value)) for day, value in values)
    care = CareFacts(endings=tuple(Ending(START + timedelta(days=day), why) for day, why in ends))
    inputs = PatientInputs(goals=tuple(goals or [on_file()]), scores={KIND: scores}, care=care)
    return cases(attain(inputs, SPAN.end), SPAN)


def stated(lifecycle, day):
    return Statement(day=day, lifecycle=lifecycle, achievement="", reason="")


def test_a_goal_met_in_the_period_is_attained():
    (case,) = person((0, 22), (30, 9))
    assert (case.measured, case.attained, case.status) == (True, True, "achieved")
    assert (case.spell.days, case.spell.ending) == (30, "attained")


def test_what_was_measured_before_the_period_alone_is_not_measured():
    (case,) = person((0, 22), (10, 9))
    assert (case.measured, case.attained, case.status) == (False, False, NOT_MEASURED)
    assert case.spell.ending == "attained", "the time it took does not depend on the period"


def test_later_values_are_not_seen():
    (case,) = person((0, 22), (30, 15), (90, 5))
    assert (case.attained, case.spell.ending, case.spell.days) == (False, "censored", 30)


def test_nothing_measured_tells_no_time():
    (case,) = person()
    assert (case.status, case.spell) == (NOT_MEASURED, None)


@pytest.mark.parametrize(
    ("ends", "days", "ending"),
    [
        ([(40, "died")], 40, "died"),
        ([(35, "medical-change")], 35, "medical-change"),
        ([(30, "medical-change")], 30, "medical-change"),
        ([(35, "medical-change"), (40, "died")], 35, "medical-change"),
        ([(20, "medical-change")], 30, "censored"),  # care went on
        ([(35, "moved")], 30, "censored"),
        ([(35, "plateau")], 30, "censored"),
        ([(80, "died")], 30, "censored"),  # after the end of the period
        ([], 30, "censored"),
    ],
)
def test_who_can_not_attain_any_more_is_told_from_who_is_not_seen_any_more(ends, days, ending):
    (case,) = person((0, 22), (30, 15), ends=ends)
    assert (case.spell.days, case.spell.ending) == (days, ending)


def test_who_attained_before_they_died_has_attained():
    (case,) = person((0, 22), (30, 9), ends=[(40, "died")])
    assert (case.spell.days, case.spell.ending) == (30, "attained")


@pytest.mark.parametrize(
    ("said", "counts"),
    [
        ([stated("proposed", START)], False),
        ([stated("active", START), stated("completed", date(2026, 1, 20))], False),
        ([stated("active", START), stated("completed", date(2026, 2, 10))], True),
        ([stated("active", START), stated("cancelled", date(2026, 1, 20))], False),
        ([stated("on-hold", START)], True),
        ([stated("entered-in-error", START)], False),
    ],
)
def test_only_goals_that_are_pursued_in_the_period_count(said, counts):
    assert bool(person((0, 22), goals=[on_file(statements=said)])) is counts


def test_a_person_counts_once_with_the_newest_goal():
    newer = on_file("Goal/2", start=START + timedelta(days=20), target=5)
    (case,) = person((0, 22), (30, 9), goals=[newer, on_file()])
    assert (case.goal.reference, case.attained) == ("Goal/2", False)
    assert person((0, 22), goals=[on_file(start=date(2026, 3, 1))]) == ()


def test_all_kinds_are_groups_and_an_empty_one_has_no_share():
    groups = Cohort().groups()
    assert len(groups) == 8
    assert {(group.people, group.share, group.time.median) for group in groups} == {(0, None, None)}


people = st.lists(
    st.lists(st.tuples(st.integers(0, 60), st.integers(0, 40)), max_size=5, unique_by=lambda one: one[0]),
    max_size=12,
)


@given(people, st.randoms())
def test_counts_add_up_and_do_not_depend_on_the_order(values, chance):
    found = [person(*sorted(one)) for one in values]
    first, second = Cohort(), Cohort()
    for one in found:
        first.add(one)
    for one in chance.sample(found, len(found)):
        second.add(one)
    assert first.groups() == second.groups()
    (group,) = [one for one in first.groups() if one.kind == KIND]
    assert group.attained <= group.measured <= group.people == first.people == len(values)
    assert sum(group.statuses.values()) == group.people
    assert group.share == (wilson(group.attained, group.measured) if group.measured else None)
    assert group.time.n == sum(one[0].spell is not None for one in found)
