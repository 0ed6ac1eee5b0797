"""``/research/cohort``: what tables of the operator tell, to who may export, with small counts masked."""

import json
from pathlib import Path

import pytest
from fastapi import FastAPI
from httpx import AsyncClient

from service.fhir.json import parse
from service.fhir.validation import errors
from service.jobs import cohorts
from service.jobs.cohort_answer import CohortAnswer, answer
from service.jobs.cohort_counts import Counts, Group, Judged
from service.jobs.cohort_question import Question
from service.jobs.cohort_words import IN_COHORT

pytestmark = pytest.mark.anyio
ADDRESS = "/research/cohort"
ENDED = {"attained": 60, "died": 12, "discharged": 30, "waiting": 38}
OTHER = {"attained": 30, "died": 11, "waiting": 20}


@pytest.fixture(autouse=True)
def tables(monkeypatch: pytest.MonkeyPatch) -> list[Question]:
    """Counts of two states, without tables; what was asked of them."""
    monkeypatch.setenv("SWALLOW_COHORT_TABLES", "invented-tables")
    groups = {Group("closure-accuracy", "ME"): ENDED, Group("closure-accuracy", "NH"): OTHER}
    none = {group: {"no log": ended} for group, ended in groups.items()}
    bands = {
        group: {"no log": ended | {"attained": ended["attained"] - 4}, "80 % and more": {"attained": 4}}
        for group, ended in groups.items()
    }
    days = {group: {21: ended} for group, ended in groups.items()}
    judged = {"": {1: {"both_closed": Judged(90, 40)}}}
    counts = Counts(days, days, none, bands, none, judged, {IN_COHORT: 201})
    asked: list[Question] = []

    def told_in(place: Path, question: Question) -> CohortAnswer:
        assert place == Path("invented-tables")
        asked.append(question)
        return answer(counts, question, "all")

    monkeypatch.setattr(cohorts, "told_in", told_in)
    return asked


async def test_a_researcher_gets_a_valid_report_with_small_counts_masked(
    researcher: AsyncClient, tables: list[Question]
) -> None:
    found = await researcher.get(f"{ADDRESS}?by=state&first-visit=2024..2026")
    assert found.status_code == 200, found.text
    report = parse(found.content)
    assert errors(report) == ()
    assert report["type"] == "summary"
    assert report["meta"]["security"][0]["code"] == "HTEST"
    assert report["period"] == {"start": "2024", "end": "2026"}
    group, judged = report["group"]
    assert [one["count"] for one in group["population"]] == [201, 90]
    assert [one["value"]["text"] for one in group["stratifier"][0]["stratum"]] == ["ME", "NH"]
    masked = [
        population["_count"]["extension"][0]["valueCode"]
        for stratifier in group["stratifier"]
        for stratum in stratifier["stratum"]
        for population in stratum["population"]
        if "_count" in population
    ]
    assert masked
    assert set(masked) == {"masked"}
    (time,) = group["extension"]
    parts = {one["url"]: one for one in time["extension"]}
    assert parts["people"]["valueUnsignedInt"] == 201
    assert parts["step"]["extension"][1]["valueUnsignedInt"] == 201
    assert tables[0].by == "state"
    maine, hampshire = group["stratifier"][0]["stratum"]
    told = {one["url"]: one for one in maine["extension"][0]["extension"]}
    assert (told["people"]["valueUnsignedInt"], told["discharged"]["valueUnsignedInt"]) == (140, 30)
    assert "discharged" not in {one["url"] for one in hampshire["extension"][0]["extension"]}
    ends = [one for one in group["stratifier"] if one["code"][-1]["text"] == "Ending"]
    assert len(ends) == 6  # dose and two of adherence, in two states
    assert [one["value"]["text"] for one in ends[0]["stratum"][0]["component"]] == ["under 10", "attained"]
    assert judged["population"][0]["count"] == 90
    by_visit, by_word = judged["stratifier"]
    assert by_visit["stratum"][0]["measureScore"]["value"] == 0
    assert [one["population"][0]["count"] for one in by_word["stratum"]] == [90, *([0] * 6)]


async def test_all_of_it_as_json_and_csv(researcher: AsyncClient) -> None:
    tree = (await researcher.get(f"{ADDRESS}?_format=json")).json()
    assert tree["flow"]["rows"][0] == {"row": IN_COHORT, "counts": [201]}
    text = await researcher.get(f"{ADDRESS}?_format=csv")
    assert text.headers["content-type"].startswith("text/csv")
    assert "by days,closure-accuracy,ME,21,attained,60\r\n" in text.text
    report = parse((await researcher.get(ADDRESS)).content)
    assert errors(report) == ()
    assert report["period"]["extension"][0]["valueCode"] == "unknown"


async def test_what_can_not_be_asked_is_said(researcher: AsyncClient, tables: list[Question]) -> None:
    found = await researcher.get(f"{ADDRESS}?by=hair&measure=luck")
    assert (found.status_code, len(found.json()["issue"])) == (400, 2)
    assert (await researcher.get(f"{ADDRESS}?patient=1")).status_code == 400
    assert (await researcher.get(f"{ADDRESS}?_format=pdf")).status_code == 406
    assert tables == []


async def test_one_cohort_is_counted_at_a_time(researcher: AsyncClient, app: FastAPI) -> None:
    async with app.services.cohorts.counting:
        found = await researcher.get(ADDRESS)
    assert found.status_code == 503
    assert "another cohort" in json.dumps(found.json()).lower()


async def test_who_treats_does_not_get_it(clinician: AsyncClient) -> None:
    assert (await clinician.get(ADDRESS)).status_code == 403


async def test_it_is_no_measure_of_the_people_on_file(integrator: AsyncClient) -> None:
    found = await integrator.get(
        "/fhir/Measure/attainment-over-time/$evaluate-measure?periodStart=2026&periodEnd=2026"
    )
    assert found.status_code == 400
    assert "/research/cohort" in found.text
