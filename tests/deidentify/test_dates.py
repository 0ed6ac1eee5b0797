from datetime import date

import pytest

from service.deidentify.dates import age_class, age_on, as_stored, day_of, days_since, shifted, year

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


@pytest.mark.parametrize(
    ("text", "days", "moved"),
    [
        ("2026-02-03", -47, "2025-12-18"),
        ("2026-03-24", -47, "2026-02-05"),
        ("2024-02-29", -366, "2023-02-28"),
        ("2026-01-01", -1, "2025-12-31"),
        ("2026-02-03T23:59:00-08:00", -47, "2025-12-18"),
        ("2026-02", -47, "2025"),
        ("2026-02", -15, "2026"),
        ("2026", -182, "2026"),
        ("2026", -183, "2025"),
        ("1936-09-20", -47, None),
        ("2026-02-31", -47, None),
        ("0001-01-01", -1, None),
        ("last spring", -47, None),
    ],
)
def test_a_date_is_moved_and_keeps_no_time_and_a_month_or_year_only_the_year_of_its_middle(text, days, moved):
    assert shifted(text, days, INDEX) == moved


def test_the_days_between_two_dates_stay_when_both_are_moved():
    first, second = (shifted(text, -211, INDEX) for text in ("2026-02-03", "2026-03-24"))
    assert days_since(second, day_of(first), INDEX) == 49


@pytest.mark.parametrize("days", [0, 1, 365])
def test_an_offset_that_hides_nothing_lets_nothing_out(days):
    assert shifted("2026-02-03", days, INDEX) is None


@pytest.mark.parametrize(
    ("text", "days"),
    [
        ("2026-02-03", 0),
        ("2026-03-24T23:00:00-08:00", 49),
        ("2025-12-31", -34),
        ("2026-03", None),
        ("2026", None),
        ("1930-01-01", None),
        ("soon", None),
    ],
)
def test_days_are_counted_from_the_first_visit_unless_they_show_an_age(text, days):
    assert days_since(text, day_of("2026-02-03"), INDEX) == days


@pytest.mark.parametrize("text", ["2026", "2026-02", "2026-02-03", "2026-02-03T09:00:00.123Z"])
def test_a_date_may_stay_as_it_is_and_nothing_else(text):
    assert as_stored(text) == text
    assert as_stored(f"{text} by telephone") is None
