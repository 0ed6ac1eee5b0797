"""The lenient view, and what it says about values that do not fit."""

from datetime import UTC, datetime
from decimal import Decimal
from zoneinfo import ZoneInfo

import pytest

from service.records.places import Places
from service.records.reading import Document
from service.records.report import Report
from service.records.shape import headline, view
from service.records.visit import VisitRecord


def _seen(tree) -> tuple[VisitRecord, dict[str, str]]:
    report = Report(Places())
    record = view(Document(tree, Places()), report, zone=UTC)
    return record, {issue.place.pointer: issue.message for issue in report.issues}


def test_good_fields_survive_beside_bad_ones() -> None:
    record, said = _seen({"function": {"oral_intake_level": "many", "weight_kg": "72.50", "eat10_total": 12}})
    assert record.function.oral_intake_level is None
    assert str(record.function.weight_kg) == "72.50"
    assert record.function.eat10_total == 12
    assert said["/function/oral_intake_level"] == "Oral intake level must be 1 to 7."


def test_a_group_of_answers_keeps_its_good_ones() -> None:
    record, said = _seen({"red_flags": {"fever": True, "blood": "perhaps"}})
    assert record.red_flags == {"fever": "yes"}
    assert said["/red_flags/blood"] == "Blood 'perhaps' is not one of yes, no."


def test_text_written_as_a_number_keeps_its_digits() -> None:
    record, _ = _seen({"person": {"postal_code": 60614, "phone": Decimal("1.50")}})
    assert (record.person.postal_code, record.person.phone) == ("60614", "1.50")


@pytest.mark.parametrize(
    "value", [True, "5.5", Decimal("1E+99"), "1e999999999", "NaN", "9" * 5_000, [1], {"a": 1}]
)
def test_what_is_no_whole_number_is_refused(value) -> None:
    _, said = _seen({"function": {"eat10_total": value}})
    assert said["/function/eat10_total"].startswith("EAT-10 total '")
    assert len(said["/function/eat10_total"]) < 150


@pytest.mark.parametrize("value", [20260203, "3.2.2026", "2026-02-30", "2026-02-03T00:00", True])
def test_what_is_no_date_is_refused(value) -> None:
    _, said = _seen({"practice": {"start": value}})
    assert said["/practice/start"].endswith("is not valid: give a date such as 2026-02-03.")


@pytest.mark.parametrize("value", ["", None])
def test_a_blank_value_is_an_absent_one(value) -> None:
    record, said = _seen({"function": {"tube": value}, "visit": {"clinician": value}, "goals": value})
    assert record.function.tube is None
    assert record.goals == []
    assert said["/visit/clinician"] == "Name the clinician responsible for this visit."


@pytest.mark.parametrize("value", ["a\x00b", "\x07"])
def test_control_characters_are_refused(value) -> None:
    _, said = _seen({"person": {"family": value}})
    assert said["/person/family"].endswith("is not valid: give text.")


def test_a_condition_may_be_in_words() -> None:
    record, said = _seen(
        {"conditions": [{"code": "cause not known", "onset": "2025-09"}, {"code": "bad luck", "onset": "x"}]}
    )
    assert record.conditions[0].code == "cause not known"
    assert (
        said["/conditions/1/code"]
        == "Code 'bad luck' is not valid: give a group of fields or cause not known."
    )
    assert (
        said["/conditions/1/onset"] == "Onset 'x' is not valid: give a date, year-month, year or 'unknown'."
    )
    assert "/conditions/0/code" not in said


def test_a_time_without_offset_is_in_the_sites_zone() -> None:
    tree = {"visit": {"start": "2026-07-03T09:30"}}
    chicago = headline(Document(tree, Places()), zone=ZoneInfo("America/Chicago"))
    assert chicago.start == datetime(2026, 7, 3, 14, 30, tzinfo=UTC)


def test_the_headline_says_whose_record_it_is() -> None:
    tree = {"record": {"system": "urn:r", "value": 7}, "patient": {"system": "urn:p"}, "visit": 3}
    found = headline(Document(tree, Places()), zone=UTC)
    assert (found.record.value, found.patient, found.start) == ("7", None, None)
