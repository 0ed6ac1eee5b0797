"""Curves from counts, held against lifelines and a published cohort."""

from collections import Counter
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lifelines import AalenJohansenFitter, KaplanMeierFitter
from lifelines.utils import median_survival_times

from service.attainment.curve import median, points

ENDS = ("attained", "censored", "died", "medical-change", "discharged")
COMPETING = ENDS[2:]
people = st.lists(st.tuples(st.integers(1, 15), st.sampled_from(ENDS)), min_size=1, max_size=60)


def counted(spells):
    found = {}
    for time, ending in spells:
        found.setdefault(time, Counter())[ending] += 1
    return found


@pytest.mark.published("6-MP arm of Gehan 1965 as in public teaching notes; its limits by lifelines")
def test_a_published_cohort_with_the_limits_of_its_median():
    events, censored = (6, 6, 6, 7, 10, 13, 16, 22, 23), (6, 9, 10, 11, 17, 19, 20, 25, 32, 32, 34, 35)
    spells = [*((day, "attained") for day in events), *((day, "censored") for day in censored)]
    curve = points(counted(spells), ())
    middle = median(curve)
    assert (middle.time, middle.low, middle.high) == (23, 13, None)
    assert [round(float(one.waiting), 4) for one in curve if "attained" in one.ended] == [
        *(0.8571, 0.8067, 0.7529, 0.6902, 0.6275, 0.5378, 0.4482)
    ]


@pytest.mark.published("lifelines KaplanMeierFitter, median_survival_times")
@settings(max_examples=25)
@given(spells=people)
def test_curve_limits_and_median_are_those_of_lifelines(spells):
    curve = points(counted(spells), COMPETING)
    other = KaplanMeierFitter().fit([time for time, _ in spells], [end == "attained" for _, end in spells])
    low, high = (other.confidence_interval_.iloc[:, side] for side in (0, 1))
    for point in curve:
        assert float(point.waiting) == pytest.approx(other.survival_function_.iloc[:, 0][point.time])
        assert point.at_risk == other.event_table["at_risk"][point.time]
        if point.interval:
            assert point.interval.low == pytest.approx(low[point.time])
            assert point.interval.high == pytest.approx(high[point.time])
    middle = median(curve)
    if Fraction(1, 2) not in [point.waiting for point in curve]:  # else logarithms end a hair above a half
        assert (middle.time or float("inf")) == other.median_survival_time_
    limits = median_survival_times(other.confidence_interval_)
    assert [middle.low or float("inf"), middle.high or float("inf")] == list(limits.iloc[0])


@pytest.mark.published("lifelines AalenJohansenFitter")
@settings(max_examples=15)
@given(spells=st.lists(st.sampled_from(ENDS), min_size=4, max_size=30))
def test_incidence_of_each_ending_is_that_of_lifelines(spells):
    curve = points(counted(enumerate(spells, 1)), COMPETING)  # lifelines jitters ties, so there are none
    for number, kind in enumerate(("attained", *COMPETING), 1):
        codes = [
            {"attained": 1, "died": 2, "medical-change": 3, "discharged": 4}.get(end, 0) for end in spells
        ]
        if number not in codes:
            continue
        fitter = AalenJohansenFitter(calculate_variance=False)
        other = fitter.fit(list(range(1, len(spells) + 1)), codes, event_of_interest=number)
        for point in curve:
            expected = other.cumulative_density_.iloc[:, 0][point.time]
            assert float(point.incidence[kind]) == pytest.approx(expected)


@given(spells=people)
def test_everybody_is_somewhere(spells):
    curve = points(counted(spells), COMPETING)
    assert curve[0].at_risk == len(spells)
    assert sum(sum(point.ended.values()) for point in curve) == len(spells)
    assert all(sum(point.incidence.values()) <= 1 for point in curve)
    assert curve[-1].incidence["attained"] <= 1 - curve[-1].waiting  # censoring the competing overstates


def test_the_five_invented_people_of_the_demo_by_curve():
    spells = [(21, "attained"), (42, "attained"), (49, "attained"), (56, "censored"), (56, "censored")]
    curve = points(counted(spells), COMPETING)
    assert [point.waiting for point in curve] == [
        *(Fraction(4, 5), Fraction(3, 5), Fraction(2, 5), Fraction(2, 5)),
    ]
    assert median(curve).time == 49


def test_nobody_has_no_curve():
    assert points({}, COMPETING) == ()
    assert points({3: {"attained": 0}}, ()) == ()
    assert median(()).time is None
