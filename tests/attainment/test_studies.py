from datetime import date
from fractions import Fraction

from service.attainment.studies import study_results
from service.attainment.study import Study, Swallow, worst_groups

FIRST, LAST = date(2026, 2, 26), date(2026, 7, 28)


def swallow(score, volume=5, manoeuvre="", level=0):
    source = f"Observation/{level}-{volume}-{score}"
    return Swallow(level, score, Fraction(volume), manoeuvre=manoeuvre, evidence=source)


BEFORE = Study(FIRST, (swallow(5), swallow(8, 10), swallow(3, 10, "chin-down"), swallow(3, 10, level=2)))
AFTER = Study(LAST, (swallow(2), swallow(3, 10), swallow(1, 10, "chin-down"), swallow(1, 10, level=2)))


def test_studies_come_oldest_first_and_only_the_first_has_nothing_before_it():
    first, last = study_results([AFTER, BEFORE])
    assert (first.day, first.compared, last.day) == (FIRST, None, LAST)
    assert [one.effect for one in last.compared.pairs] == ["better"] * 4


def test_manoeuvres_stay_apart_from_plain_swallows():
    first, _ = study_results([BEFORE, AFTER])
    assert (first.plain.n, first.plain.worst) == (3, 8)
    assert {key: one.n for key, one in first.by_consistency.items()} == {
        (0, False): 2,
        (0, True): 1,
        (2, False): 1,
    }
    assert [(one.manoeuvre, one.first, one.second, one.effect) for one in first.effects] == [
        ("chin-down", 8, 3, "better")
    ]


def test_what_is_compared_names_both_swallows():
    _, last = study_results([BEFORE, AFTER])
    assert last.compared.pairs[0].evidence == ("Observation/0-5-5", "Observation/0-5-2")
    assert len(last.evidence) == 4


def test_studies_of_other_boluses_are_not_compared():
    other = Study(LAST, (swallow(1, 90),))
    assert study_results([BEFORE, other])[1].compared.reason == "not comparable: different boluses"


def test_a_study_in_which_nothing_was_rated_has_no_counts():
    (found,) = study_results([Study(FIRST, (swallow(None),))])
    assert (found.plain, found.by_consistency, found.effects) == (None, {}, ())


def test_worst_groups_leave_out_manoeuvres_other_consistencies_and_what_was_not_rated():
    studies = [AFTER, BEFORE, Study(date(2026, 8, 1), (swallow(None), swallow(8, manoeuvre="chin-down")))]
    assert [(one.day, one.value) for one in worst_groups(studies, 0)] == [(FIRST, 4), (LAST, 2)]
    assert [one.value for one in worst_groups(studies, 2)] == [2, 1]
    assert worst_groups(studies, None)[0].evidence == (
        "Observation/0-5-5",
        "Observation/0-10-8",
        "Observation/2-10-3",
    )


def test_a_study_is_held_against_the_newest_by_the_same_method():
    def done(month, method, score):
        return Study(date(2026, month, 1), (swallow(score),), method)

    kinds = [done(1, "endoscopic", 2), done(2, "videofluoroscopic", 5), done(3, "endoscopic", 6)]
    first, other, last = study_results(kinds)
    assert first.compared is None
    assert (other.compared.against, other.compared.pairs) == (date(2026, 1, 1), ())
    assert "different methods" in other.compared.reason
    (pair,) = last.compared.pairs
    assert (last.compared.against, pair.first, pair.second) == (date(2026, 1, 1), 2, 6)
