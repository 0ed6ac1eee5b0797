from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import pytest

from service.errors import InvalidInput
from service.interactions.context import Context, allow_everything
from service.operations.as_of import as_of_date

CONTEXT = Context(
    base="https://here.example.org/fhir",
    allow=allow_everything,
    zone=ZoneInfo("America/New_York"),
    clock=lambda: datetime(2026, 2, 4, 3, tzinfo=UTC),
)


def asked(query=(), body=b""):
    return as_of_date(query, body, context=CONTEXT)


def test_the_default_is_today_at_the_site():
    assert asked() == date(2026, 2, 3)


def test_the_date_comes_in_the_address_or_in_the_body():
    body = b'{"resourceType":"Parameters","parameter":[{"name":"date","valueDate":"2026-03-10"}]}'
    assert asked([("date", "2026-03-10")]) == asked(body=body) == date(2026, 3, 10)


def test_an_empty_parameters_body_asks_for_today():
    assert asked(body=b'{"resourceType":"Parameters"}') == date(2026, 2, 3)


@pytest.mark.parametrize("text", ["", "2026", "2026-02", "2026-02-30", "2026-02-04T10:00", "yesterday"])
def test_what_is_not_a_day_is_refused(text):
    with pytest.raises(InvalidInput, match="is not a date; write year, month and day, such as 2026-02-04"):
        asked([("date", text)])


def test_two_dates_are_refused():
    with pytest.raises(InvalidInput, match="Give 'date' at most 1"):
        asked([("date", "2026-02-04"), ("date", "2026-02-05")])


def test_every_unknown_parameter_is_named():
    with pytest.raises(InvalidInput) as refused:
        asked([("day", "2026-02-04"), ("goal", "1")])
    assert [issue.place.expression for issue in refused.value.issues] == ["http.day", "http.goal"]


@pytest.mark.parametrize(
    ("body", "sentence"),
    [
        (b"{", "not valid JSON"),
        (b'{"resourceType":"Patient"}', "must be a Parameters resource"),
        (b'{"resourceType":"Parameters","parameter":5}', "."),
        (b'{"resourceType":"Parameters","parameter":[5]}', "."),
        (b'{"resourceType":"Parameters","parameter":[{"name":"date"}]}', "must have one and only one of"),
        (
            b'{"resourceType":"Parameters","parameter":[{"name":"date","valueString":"2026-02-04"}]}',
            "must be of type date",
        ),
        (b'{"resourceType":"Parameters","parameter":[{"valueDate":"2026-02-04"}]}', "is required"),
        (
            b'{"resourceType":"Parameters","parameter":[{"name":"day","valueDate":"2026-02-04"}]}',
            "is not a parameter of this operation",
        ),
    ],
)
def test_a_body_that_can_not_be_used_is_refused(body, sentence):
    with pytest.raises(InvalidInput, match=sentence):
        asked(body=body)
