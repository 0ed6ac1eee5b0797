from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from service.fhir.datetimes import LATEST, instant, interval, milliseconds

UTC_ZONE = ZoneInfo("UTC")


def at(*parts: int):
    return milliseconds(datetime(*parts, tzinfo=UTC))


@pytest.mark.parametrize(
    ("text", "low", "high"),
    [
        ("2026", at(2026, 1, 1), at(2027, 1, 1)),
        ("2026-12", at(2026, 12, 1), at(2027, 1, 1)),
        ("2024-02", at(2024, 2, 1), at(2024, 3, 1)),
        ("2026-02-28", at(2026, 2, 28), at(2026, 3, 1)),
        ("2026-02-04T10:30", at(2026, 2, 4, 10, 30), at(2026, 2, 4, 10, 31)),
        ("2026-02-04T10:30:05Z", at(2026, 2, 4, 10, 30, 5), at(2026, 2, 4, 10, 30, 6)),
        ("2026-02-04T10:30:05.25+01:00", at(2026, 2, 4, 9, 30, 5) + 250, at(2026, 2, 4, 9, 30, 5) + 260),
        ("2026-02-04T10:30:05.123456-05:30", at(2026, 2, 4, 16, 0, 5) + 123, at(2026, 2, 4, 16, 0, 5) + 124),
        ("2016-12-31T23:59:60Z", at(2017, 1, 1), at(2017, 1, 1, 0, 0, 1)),
        ("9999-12-31", at(9999, 12, 31), LATEST),
    ],
)
def test_text_covers_its_own_precision(text, low, high):
    assert interval(text, UTC_ZONE) == (low, high)


def test_text_without_offset_is_read_in_the_site_zone():
    berlin = ZoneInfo("Europe/Berlin")
    assert interval("2026-07-01", berlin) == (at(2026, 6, 30, 22), at(2026, 7, 1, 22))
    assert interval("2026-03-29", berlin) == (at(2026, 3, 28, 23), at(2026, 3, 29, 22))  # a day of 23 hours
    assert interval("2026-07-01T08:00:00", berlin)[0] == at(2026, 7, 1, 6)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "20",
        "2020-13",
        "2021-02-29",
        "2020-1-1",
        "2020-01-01T24:00:00Z",
        "2020-01-01T10:00:61Z",
        "0000",
        "2020-00",
        "2020-01-00",
        "2020-01-01T10:00:00+15:00",
        "2020-01-01T10",
        "2020-01-01 10:00:00",
        "２０２０",
        "2020-01-01Z",
        "now",
    ],
)
def test_anything_else_is_refused_with_a_sentence(text):
    with pytest.raises(ValueError, match="is not a"):
        interval(text, UTC_ZONE)


def test_instants_are_written_with_milliseconds_and_zone():
    assert instant(at(2026, 2, 4, 10, 30) + 7) == "2026-02-04T10:30:00.007Z"
    assert instant(-1) == "1969-12-31T23:59:59.999Z"
