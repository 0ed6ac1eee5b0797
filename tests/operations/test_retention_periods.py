"""When what is kept has been kept long enough."""

from datetime import date

import pytest

from service.errors import InvalidInput
from service.operations.retention_periods import Periods, check_clock, is_due, latest_birthday

TODAY = date(2026, 11, 29)


def periods(**given):
    return Periods(**{"person": 365, "minor_age": 0, "deleted": 0, "superseded": 0, "audit": 0} | given)


@pytest.mark.parametrize(
    ("last", "birth", "given", "due"),
    [
        (date(2025, 11, 29), "", {}, True),
        (date(2025, 11, 30), "", {}, False),
        (date(1990, 1, 1), "", {"person": 0}, False),
        (date(2020, 1, 1), "2001-11-29", {"minor_age": 25}, True),
        (date(2020, 1, 1), "2001-11-30", {"minor_age": 25}, False),
        (date(2020, 1, 1), "2001", {"minor_age": 25}, False),
        (date(2020, 1, 1), "2001-11", {"minor_age": 25}, False),
        (date(2020, 1, 1), "2001-10", {"minor_age": 25}, True),
        (date(2020, 1, 1), "", {"minor_age": 25}, False),
    ],
)
def test_who_is_due(last, birth, given, due):
    assert is_due(last, birth, TODAY, periods(**given)) is due


def test_the_latest_day_that_a_birth_date_can_mean():
    assert latest_birthday("2024-02") == date(2024, 2, 29)
    assert latest_birthday("2023-12") == date(2023, 12, 31)
    assert latest_birthday("") is None


@pytest.mark.parametrize(
    ("newest", "confirmed", "sentence"),
    [
        (date(2026, 12, 1), None, "stepped back"),
        (date(2025, 11, 27), None, "--today 2026-11-29"),
        (date(2026, 11, 1), date(2026, 11, 28), "not 2026-11-28"),
        (date(2027, 12, 1), TODAY, "stepped back"),
    ],
)
def test_a_clock_that_can_not_be_right_takes_nothing_away(newest, confirmed, sentence):
    with pytest.raises(InvalidInput, match=sentence):
        check_clock(TODAY, newest, confirmed)


def test_a_clock_that_may_be_right():
    for newest, confirmed in ((None, None), (date(2026, 11, 30), None), (date(2020, 1, 1), TODAY)):
        check_clock(TODAY, newest, confirmed)
