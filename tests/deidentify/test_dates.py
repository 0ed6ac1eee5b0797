from datetime import date

import pytest

from service.deidentify.dates import age_class, age_on, year

INDEX = date(2026, 9, 11)


@pytest.mark.published("45 CFR 164.514(b)(2)(i)(C): all ages over 89 are one class, year included")
@pytest.mark.parametrize(
    ("born", "age", "shown"),
    [
        ("1935-03-14", 91, None),
        ("1936-09-11", 90, None),
        ("1936-09-12", 89, "1936"),
        ("1937-01-01", 89, "1937"),
    ],
)
def test_an_age_over_89_hides_the_birth_year(born, age, shown):
    assert age_on(INDEX, born) == age
    assert year(born, INDEX) == shown


def test_the_same_birth_date_is_judged_anew_at_each_release():
    assert year("1936-09-12", date(2026, 9, 11)) == "1936"
    assert year("1936-09-12", date(2026, 9, 12)) is None


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("2026-02-03", "2026"),
        ("2026-02", "2026"),
        ("2026", "2026"),
        ("2026-12-31T23:30:00-08:00", "2026"),
        ("2026-02-03T09:00:00.123Z", "2026"),
        ("1936", None),
        ("1936-09", None),
        ("2027-04-07", "2027"),
        ("last spring", None),
        ("2026-02-03 by telephone 555-0105", None),
        ("", None),
    ],
)
def test_only_a_year_is_left_of_a_date_and_doubt_hides(text, shown):
    assert year(text, INDEX) == shown


@pytest.mark.parametrize(
    ("age", "name"), [(0, "0-9"), (68, "60-69"), (89, "80-89"), (90, "90 or older"), (104, "90 or older")]
)
def test_age_classes(age, name):
    assert age_class(age) == name
