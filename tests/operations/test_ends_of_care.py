"""Why people can't attain a goal any more: read from what is stored, told by the answer and by a report."""

from datetime import UTC, date, datetime

import pytest
from demo_store import CONTEXT, Demo

from service.attainment.cohort import Group, Span
from service.attainment.intervals import wilson
from service.attainment.time_to_attainment import Spell, time_to_attainment
from service.fhir.json import dump, reread
from service.fhir.search_keys import extract
from service.fhir.validation import check as check_resource
from service.fhir.validation.requested import claim_issues
from service.operations.measure_report import Report, report
from service.operations.measures import measure
from service.terminology.codes import codes

SPAN = Span(date(2026, 1, 1), date(2026, 12, 31))


@pytest.fixture
def demo(tmp_path):
    found = Demo.of(tmp_path, "demo-05")
    yield found
    found.run(found.store.close())


def dies(demo, **deceased):
    id_ = demo.patient("demo-05")

    async def work(txn):
        tree = reread((await txn.read("Patient", id_)).content) | deceased
        await txn.put("Patient", id_, dump(tree), extract(tree, zone=CONTEXT.zone))

    demo.run(demo.store.write("death", work))


def test_a_death_on_file_is_told_from_its_day_on(demo):
    assert demo.answer("demo-05", "2026-09-30").all("ending") == []
    dies(demo, deceasedDateTime="2026-09-20")
    (told,) = demo.answer("demo-05", "2026-09-30").all("ending")
    assert (told.get("date"), told.get("reason")) == ("2026-09-20", "died")
    assert demo.answer("demo-05", "2026-09-19").all("ending") == []


def test_the_day_of_a_death_that_is_only_known_is_that_of_the_last_visit(demo):
    dies(demo, deceasedBoolean=True)
    (told,) = demo.answer("demo-05", "2026-09-30").all("ending")
    assert told.get("date") == "2026-09-15"


def told(*spells):
    """The extension about time of a report on closure accuracy."""
    found = time_to_attainment(spells)
    people, attained = found.n, found.attained
    group = Group(
        "closure-accuracy", people, people, attained, wilson(attained, people), {"achieved": attained}, found
    )
    about = Report(measure("goal-attainment"), SPAN, datetime(2026, 12, 1, tzinfo=UTC), "summary")
    tree = report(about, [group], people, codes("all"))
    issues = (*check_resource(tree), *claim_issues(tree, CONTEXT.definitions))
    assert [issue.message for issue in issues if issue.severity == "error"] == []
    (time,) = [one for one in tree["group"][0]["extension"] if one["url"].endswith("/time-to-attainment")]
    return time["extension"]


def number(parts, name):
    return next(
        (
            one
            for key in ("valueUnsignedInt", "valueDecimal")
            for part in parts
            if part["url"] == name and (one := part.get(key)) is not None
        ),
        None,
    )


def spells(how, days, people):
    return [Spell(days, how)] * people


def test_a_report_keeps_deaths_and_medical_changes_apart():
    parts = told(
        *spells("died", 10, 12),
        *spells("medical-change", 15, 11),
        *spells("attained", 20, 23),
        *spells("censored", 30, 14),
    )
    names = ("people", "attained", "died", "medicalChange")
    assert [number(parts, name) for name in names] == [60, 23, 12, 11]
    (step,) = [one["extension"] for one in parts if one["url"] == "step"]
    # 23 of the 37 still there: those whose care ended would count as waiting in the one, as lost in the other
    assert (float(number(step, "waiting")), float(number(step, "incidence"))) == pytest.approx(
        (14 / 37, 23 / 60), abs=1e-6
    )
    assert number(parts, "median") is None


def test_few_ends_are_not_told_and_can_not_be_worked_out():
    parts = told(*spells("died", 10, 3), *spells("attained", 20, 23), *spells("censored", 30, 14))
    assert number(parts, "died") is None
    assert number(parts, "medicalChange") == 0
    (step,) = [one["extension"] for one in parts if one["url"] == "step"]
    assert number(step, "incidence") is None
