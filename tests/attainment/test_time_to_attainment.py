from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.duration.survfunc import CumIncidenceRight, SurvfuncRight

from service.attainment.time_to_attainment import Spell, time_to_attainment

LEUKAEMIA = ((6, 6, 6, 7, 10, 13, 16, 22, 23), (6, 9, 10, 11, 17, 19, 20, 25, 32, 32, 34, 35))
spells = st.lists(
    st.builds(Spell, st.integers(1, 12), st.sampled_from(["attained", "censored", "died", "medical-change"])),
    min_size=1,
    max_size=30,
)


def cohort(attained, censored=(), died=(), changed=()):
    return time_to_attainment(
        [
            *(Spell(days, "attained") for days in attained),
            *(Spell(days, "censored") for days in censored),
            *(Spell(days, "died") for days in died),
            *(Spell(days, "medical-change") for days in changed),
        ]
    )


@pytest.mark.published("6-MP arm of Gehan 1965 as in public teaching notes: median 23, 9 events of 21")
def test_a_published_cohort():
    found = cohort(*LEUKAEMIA)
    assert (found.n, found.attained, found.median) == (21, 9, 23)
    rows = [
        (one.days, one.at_risk, one.attained, round(float(one.waiting), 4), round(one.error, 4))
        for one in found.steps
    ]
    assert rows == [
        (6, 21, 3, 0.8571, 0.0764),
        (7, 17, 1, 0.8067, 0.0869),
        (10, 15, 1, 0.7529, 0.0963),
        (13, 12, 1, 0.6902, 0.1068),
        (16, 11, 1, 0.6275, 0.1141),
        (22, 7, 1, 0.5378, 0.1282),
        (23, 6, 1, 0.4482, 0.1346),
    ]


def test_who_is_censored_on_a_day_was_at_risk_on_it():
    found = cohort((28, 42, 56, 84), (56, 90))
    assert [one.waiting for one in found.steps] == [
        Fraction(5, 6),
        Fraction(2, 3),
        Fraction(1, 2),
        Fraction(1, 4),
    ]
    assert found.median == 56


def test_the_five_invented_people_of_the_demo():
    found = cohort((21, 42, 49), (56, 56))
    assert [(one.days, float(one.waiting)) for one in found.steps] == [(21, 0.8), (42, 0.6), (49, 0.4)]
    assert found.median == 49


def test_the_median_may_not_be_reached():
    found = cohort((21,), (42, 49, 56))
    assert (found.median, found.reason) == (None, "not reached")
    assert time_to_attainment([]).reason == "nobody in the cohort"


def test_when_everybody_attains_no_error_is_left():
    assert cohort((21, 42)).steps[-1].error is None


def test_a_death_is_not_a_wait_without_end():
    found = cohort((10, 20), died=(5, 5))
    assert [one.incidence for one in found.steps] == [Fraction(1, 4), Fraction(1, 2)]
    assert [one.waiting for one in found.steps] == [Fraction(1, 2), 0]
    assert found.competing == {"died": 2, "medical-change": 0}


def test_the_median_counts_those_who_can_not_attain_any_more():
    assert cohort((10, 20), censored=(5, 5)).median == 10
    assert cohort((10, 20), died=(5,), changed=(5,)).median == 20
    assert cohort((10, 20), died=(5, 5), changed=(5,)).reason == "not reached"


def test_deaths_and_medical_changes_are_counted_apart():
    found = cohort((10, 20), died=(5,), changed=(5, 15))
    assert found.competing == {"died": 1, "medical-change": 2}
    assert found.steps == cohort((10, 20), died=(5, 5, 15)).steps


@pytest.mark.published("statsmodels SurvfuncRight")
@given(spells=spells)
def test_waiting_is_that_of_statsmodels(spells):
    found = time_to_attainment(spells)
    events = [spell.ending == "attained" for spell in spells]
    other = SurvfuncRight([spell.days for spell in spells], events)
    at = dict(zip(other.surv_times, zip(other.surv_prob, other.surv_prob_se, strict=True), strict=True))
    for step in found.steps:
        share, error = at[step.days]
        assert float(step.waiting) == pytest.approx(share)
        assert step.error is None or step.error == pytest.approx(error)


@pytest.mark.published("statsmodels CumIncidenceRight")
@pytest.mark.filterwarnings("ignore:divide by zero:RuntimeWarning")  # in its standard errors, when all end
@pytest.mark.filterwarnings("ignore:invalid value:RuntimeWarning")
@given(spells=spells.filter(lambda found: {one.ending for one in found} > {"attained", "censored"}))
def test_incidence_is_that_of_statsmodels(spells):
    status = {"censored": 0, "attained": 1, "died": 2, "medical-change": 3}
    other = CumIncidenceRight([one.days for one in spells], [status[one.ending] for one in spells])
    at = dict(zip(other.times, other.cinc[0], strict=True))
    for step in time_to_attainment(spells).steps:
        assert float(step.incidence) == pytest.approx(at[step.days])
