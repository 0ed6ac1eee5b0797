"""A panel of people: counted as each of them would be answered alone."""

from collections import Counter
from dataclasses import replace
from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import pytest
from demo_store import CONTEXT, NOW

from service.attainment.cohort import Span, cases
from service.errors import Forbidden, InvalidInput, NotFound, TooCostly
from service.fhir.json import parse
from service.fhir.validation import check as check_resource
from service.fhir.validation.requested import claim_issues
from service.operations.evaluate_measure import Evaluated, asked_for, evaluate, evaluate_measure
from service.operations.goal_attainment import compute
from service.operations.measures import measure, measure_ids, named
from service.terminology.codes import codes

PEOPLE = ("demo-01", "demo-02", "demo-03", "demo-04", "demo-05")
YEAR = {"periodStart": "2026", "periodEnd": "2026"}
UTC_ZONE = ZoneInfo("UTC")


@pytest.fixture(scope="module")
def demo(whole_demo):
    return whole_demo


def given(**parameters):
    return {name: [value] for name, value in (YEAR | parameters).items()}


def evaluated(demo, *, context=CONTEXT, seconds=600, measure_id="goal-attainment", smallest=11, **parameters):
    work = evaluate_measure(
        demo.store,
        measure_id,
        given(**parameters),
        seconds=seconds,
        context=context,
        codes=codes("all"),
        smallest=smallest,
    )
    return parse(demo.run(work))


def counts(report, kind):
    """Count by population, and by status, of one kind of goal."""
    (group,) = [one for one in report["group"] if one["code"]["coding"][-1]["code"] == kind]
    populations = {one["code"]["coding"][0]["code"]: one["count"] for one in group["population"]}
    (by_status,) = group.get("stratifier", [{"stratum": []}])
    statuses = {
        one["value"].get("coding", [{"code": "not-measured"}])[0]["code"]: one["population"][0]["count"]
        for one in by_status["stratum"]
    }
    return group, populations, statuses


def invalid(resource):
    issues = (*check_resource(resource), *claim_issues(resource, CONTEXT.definitions))
    return [issue.message for issue in issues if issue.severity == "error"]


@pytest.mark.parametrize("end", ["2026-03-10", "2026-06-30", "2026-11-30"])
def test_the_counts_are_those_of_the_people_one_by_one(demo, end):
    report = evaluated(demo, periodStart="2026-01-01", periodEnd=end)
    span = Span(date(2026, 1, 1), date.fromisoformat(end))
    expected: dict[str, Counter[str]] = {}
    for person in PEOPLE:
        answer = demo.run(compute(demo.store, demo.patient(person), span.end, zone=UTC_ZONE))
        for case in cases(answer, span):
            expected.setdefault(case.kind, Counter())[case.status] += 1
    assert expected
    for kind, wanted in expected.items():
        group, populations, statuses = counts(report, kind)
        measured = wanted.total() - wanted["not-measured"]
        attained = wanted["achieved"] + wanted["sustaining"]
        assert statuses == {status: count for status, count in wanted.items() if count}
        assert populations == {
            "initial-population": wanted.total(),
            "denominator": measured,
            "numerator": attained,
        }
        if measured:
            assert float(group["measureScore"]["value"]) == pytest.approx(100 * attained / measured, abs=1e-6)
        else:
            assert "measureScore" not in group


def test_the_demo_of_a_year_reads_as_its_people_do(demo):
    """The five end achieved, sustaining, unchanged, worse and regressed; the third is past due by then."""
    _, populations, statuses = counts(evaluated(demo, periodEnd="2026-11-30"), "closure-accuracy")
    assert populations == {"initial-population": 5, "denominator": 5, "numerator": 2}
    assert statuses["worsening"] == 2
    assert sum(statuses.values()) == 5


def test_reports_are_valid_and_never_give_a_share_without_its_counts(demo):
    for parameters in ({}, {"reportType": "subject-list"}, {"subject": demo.patient("demo-02")}):
        report = evaluated(demo, **parameters)
        assert invalid(report) == []
        assert report["measure"] == "https://swallow-interop.example.org/fhir/Measure/goal-attainment|1.0.0"
        for group in report["group"]:
            assert len(group["population"]) == 3
            told = {one["url"].rsplit("/", 1)[1] for one in group.get("extension", [])}
            if "measureScore" in group:
                assert told >= {"measure-score-interval", "measure-caution"}
            assert "time-to-attainment" not in told  # five people are too few to tell


def test_the_site_says_how_few_people_are_too_few(demo):
    group, *_ = counts(evaluated(demo, smallest=2), "closure-accuracy")
    told = {one["url"].rsplit("/", 1)[1]: one for one in group["extension"]}
    assert "measure-caution" not in told
    people, attained, *_ = told["time-to-attainment"]["extension"]
    assert (people["valueUnsignedInt"], attained["valueUnsignedInt"]) == (5, 3)


def test_a_report_of_one_person_names_what_it_rests_on(demo):
    id_ = demo.patient("demo-02")
    report = evaluated(demo, subject=f"Patient/{id_}")
    assert (report["type"], report["subject"]["reference"]) == ("individual", f"Patient/{id_}")
    _, populations, _ = counts(report, "closure-accuracy")
    assert populations == {"initial-population": 1, "denominator": 1, "numerator": 1}
    evidence = [one["reference"] for one in report["evaluatedResource"]]
    assert {one.partition("/")[0] for one in evidence} == {"Goal", "Observation"}
    assert all("measureScore" not in group for group in report["group"])


def test_a_list_names_the_people_of_each_population(demo):
    report = evaluated(demo, reportType="subject-list")
    lists = {one["id"]: [entry["item"]["reference"] for entry in one["entry"]] for one in report["contained"]}
    everybody = {f"Patient/{demo.patient(person)}" for person in PEOPLE}
    assert set(lists["closure-accuracy-initial-population"]) == everybody
    assert lists["oral-intake-level-initial-population"] == [f"Patient/{demo.patient('demo-01')}"]
    for group in report["group"]:
        for one in group["population"]:
            named_ = one.get("subjectResults", {}).get("reference", "#").removeprefix("#")
            assert len(lists.get(named_, [])) == one["count"]


def test_only_the_people_of_one_practitioner(demo):
    practitioner = next(
        member["member"]["reference"]
        for one in teams(demo)
        for member in one["participant"]
        if one["subject"]["reference"] == f"Patient/{demo.patient('demo-01')}"
    )
    cared_for = {
        one["subject"]["reference"]
        for one in teams(demo)
        if practitioner in [member["member"]["reference"] for member in one["participant"]]
    }
    report = evaluated(demo, practitioner=practitioner)
    _, populations, _ = counts(report, "closure-accuracy")
    assert populations["initial-population"] == len(cared_for)
    nobody = evaluated(demo, practitioner="nobody-here")
    assert counts(nobody, "closure-accuracy")[1]["initial-population"] == 0


def teams(demo):
    async def work():
        return [parse(one.content) async for one in demo.store.changes() if one.type == "CareTeam"]

    return demo.run(work())


def test_goals_not_measured_in_the_period_are_told_apart(demo):
    _, populations, statuses = counts(
        evaluated(demo, periodStart="2026-10-01", periodEnd="2026-10-31"), "closure-accuracy"
    )
    assert populations["denominator"] == 0
    assert statuses == {"not-measured": populations["initial-population"]}


def test_of_a_period_ahead_what_is_known_today_is_counted(demo):
    ahead = evaluated(demo, periodEnd="2030")
    assert ahead["group"] == evaluated(demo, periodEnd=NOW.date().isoformat())["group"]


def test_an_evaluation_that_takes_too_long_is_refused_and_says_how_far_it_came(demo):
    with pytest.raises(TooCostly, match="people were evaluated and there are more"):
        evaluated(demo, seconds=1e-9)


def test_problems_of_the_parameters_are_all_told(demo):
    with pytest.raises(InvalidInput) as caught:
        evaluated(
            demo, periodStart="soon", periodEnd="2026-02-30", subject="Group/1", reportType="all-of-them"
        )
    assert [issue.place.expression for issue in caught.value.issues] == [
        "http.periodStart",
        "http.periodEnd",
        "http.subject",
        "http.reportType",
    ]
    for parameters, message in (
        ({"periodStart": "2026-02-02", "periodEnd": "2026-02-01"}, "ends before it starts"),
        ({"reportType": "subject"}, "needs a subject"),
        ({"lastReceivedOn": "2026-01-01"}, "one subject only"),
    ):
        with pytest.raises(InvalidInput, match=message):
            asked_for(given(**parameters), UTC_ZONE)
    with pytest.raises(InvalidInput, match="Name one of"):
        evaluated(demo, measure_id="", measure="http://example.org/Measure/other")
    with pytest.raises(NotFound):
        evaluated(demo, measure_id="other")
    with pytest.raises(NotFound):
        evaluated(demo, subject="nobody-here")


def test_a_year_and_a_month_are_whole():
    span = asked_for(given(periodStart="2026-02", periodEnd="2026-02"), UTC_ZONE).span
    assert (span.start, span.end) == (date(2026, 2, 1), date(2026, 2, 28))


def test_a_measure_is_known_by_url_version_and_id():
    assert measure_ids() == ("attainment-over-time", "goal-attainment")
    tree = measure("goal-attainment")
    assert invalid(tree) == []
    for name in ("goal-attainment", "Measure/goal-attainment", tree["url"], f"{tree['url']}|1.0.0"):
        assert named(name) == "goal-attainment"
    assert named(f"{tree['url']}|2") is None
    assert named("") is None


def test_reading_the_people_is_asked_for(demo):
    def allow(action, type_):
        if (action, type_) == ("r", "Goal"):
            raise Forbidden("no")

    with pytest.raises(Forbidden):
        evaluated(demo, context=replace(CONTEXT, allow=allow))


def test_the_report_says_when_it_was_made(demo):
    late = replace(CONTEXT, clock=lambda: datetime(2026, 12, 24, 18, 0, tzinfo=UTC))
    assert evaluated(demo, context=late)["date"] == "2026-12-24T18:00:00+00:00"
    assert evaluated(demo)["period"] == {"start": "2026-01-01", "end": "2026-12-31"}


def test_the_time_the_demo_took(demo):
    """First attained after 21, 42 and 49 days; two who had not by their 56th (the demo's own story)."""
    found = Evaluated()
    asked = asked_for(given(periodEnd="2026-11-30"), UTC_ZONE)
    demo.run(evaluate(demo.store, asked, found, today=NOW.date(), zone=UTC_ZONE))
    (group,) = [one for one in found.cohort.groups() if one.kind == "closure-accuracy"]
    assert [(step.days, step.at_risk, step.attained) for step in group.time.steps] == [
        (21, 5, 1),
        (42, 4, 1),
        (49, 3, 1),
    ]
    assert (group.time.n, group.time.median) == (5, 49)
