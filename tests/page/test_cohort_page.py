"""The page of a cohort: who may open it, what it shows and hides, and what can be saved of it."""

import csv
import io
from itertools import pairwise

import pytest
from page_reader import ORIGIN, Page
from starlette.datastructures import QueryParams

from service.errors import InvalidInput, StoreUnavailable
from service.jobs import cohorts as counted_in
from service.jobs.cohort_answer import answer
from service.jobs.cohort_counts import Counts, Group, Judged
from service.jobs.cohort_question import Question
from service.jobs.cohort_sources import NEEDED
from service.jobs.cohort_words import IN_COHORT
from service.jobs.cohorts import Cohorts
from service.page.cohort_curve import BESIDE, LINE
from service.page.cohort_form import form
from service.page.cohort_view import cohort_view
from service.page.drawing import Text

pytestmark = pytest.mark.anyio
ENDED = {"attained": 60, "died": 12, "discharged": 30, "waiting": 38}
OTHER = {"attained": 30, "died": 11, "discharged": 14, "waiting": 20}
FEW = {"attained": 3, "waiting": 2}
SAME = {"Origin": ORIGIN}


def counts(*strata):
    """Counts of people by stratum; of hold time too few are known for anything to be told."""
    goals = {Group("closure-accuracy", name): ended for name, ended in strata}
    few = Group("hold-time", strata[0][0])

    def banded(band):
        found = {
            goal: {"no log": ended | {"attained": ended["attained"] - 4}, band: {"attained": 4}}
            for goal, ended in goals.items()
        }
        return found | {few: {"no log": FEW}}

    days = {
        goal: {21: ended | {"attained": 20}, 42: {"attained": ended["attained"] - 20}}
        for goal, ended in goals.items()
    }
    said = {"both_closed": Judged(90, 40), "said_closed_was_open": Judged(30, 20)}
    rare = {"both_closed": Judged(95, 40), "said_closed_was_open": Judged(25, 4)}
    return Counts(
        days | {few: {7: FEW}},
        {goal: {3: ended} for goal, ended in goals.items()} | {few: {3: FEW}},
        banded("40 and more"),
        banded("80 % and more"),
        banded("80 % and more"),
        {name: {1: said, 2: rare} for name, _ in strata},
        {"goal without the day it began": 3, IN_COHORT: 215},
    )


@pytest.fixture
def asked(monkeypatch):
    """What was counted."""
    found = []

    def told_in(_place, question):
        found.append(question)
        strata = [("ME", ENDED), ("NH", OTHER)] if question.by else [("", ENDED)]
        return answer(counts(*strata), question, "all")

    monkeypatch.setattr(counted_in, "told_in", told_in)
    return found


@pytest.fixture
def cohorts(tmp_path):
    """Those of tables that nobody reads."""
    for name in NEEDED:
        (tmp_path / f"{name}.csv").touch()
    return Cohorts(str(tmp_path))


@pytest.fixture
def ask(browser, token):
    """Fetch a page as a researcher, or with another scope."""

    async def fetch(path, scope="research-export"):
        async with browser() as client:
            return await client.get(path, headers={"Authorization": f"Bearer {token(scope)}"})

    return fetch


async def test_a_researcher_s_token_leads_to_the_cohort_and_nowhere_else(browser, token, asked):
    async with browser() as client:
        assert (await client.get("/app")).status_code == 401  # is remembered as the page that was asked for
        entered = await client.post("/app/sign-in", data={"token": token("research-export")}, headers=SAME)
        assert (entered.status_code, entered.headers["location"]) == (303, "/app/cohort")
        page = Page((await client.get("/app/cohort")).text)
        refused = await client.get("/app/patients/p1")
    hrefs = {one.get("href") for one in page.attributes("a")}
    assert "/app" not in hrefs
    assert "/app/cohort" in hrefs
    assert (refused.status_code, "Testwell" in refused.text) == (403, False)
    assert {one.get("href") for one in Page(refused.text).attributes("a")} >= {"/app/cohort", "/app/sign-in"}
    assert len(asked) == 1


async def test_a_page_of_the_cohort_that_was_asked_for_is_gone_on_to(browser, token, asked):
    async with browser() as client:
        await client.get("/app/cohort?by=site")
        entered = await client.post("/app/sign-in", data={"token": token("research-export")}, headers=SAME)
        assert entered.headers["location"] == "/app/cohort?by=site"
        client.cookies.clear()
        await client.get("/app/cohort?by=site")
        other = await client.post("/app/sign-in", data={"token": token()}, headers=SAME)
        assert other.headers["location"] == "/app"
    assert asked == []


async def test_who_treats_does_not_get_it_and_sees_no_link(ask, asked):
    refused = await ask("/app/cohort", "user/*.rs")
    assert refused.status_code == 403
    assert "/app/cohort" not in {one.get("href") for one in Page(refused.text).attributes("a")}
    assert (await ask("/app/cohort.csv", "user/*.rs")).status_code == 403
    both = Page((await ask("/app", "user/*.rs research-export")).text)
    assert {"/app", "/app/cohort"} <= {one.get("href") for one in both.attributes("a")}
    assert asked == []


async def test_what_is_told_stands_in_words_and_tables_with_what_is_hidden(ask, asked):
    page = Page((await ask("/app/cohort")).text)
    assert "test data" in page.text
    assert "140 people, 60 attained; fewer than half attained" in page.text
    assert "Nothing is told: too few people" in page.text  # of hold time
    assert ["goal without the day it began", "hidden"] in page.rows
    assert ["42", "40", "40", "0", "100.0 %", "none"] in page.rows
    assert "Hidden: 1 to 10 people, or a count that would tell of so few." in page.text
    assert any(row[0] == "80 % and more" and row[1] == "hidden" for row in page.rows)
    (told,) = [one for one in page.text.split(". ") if "by training visit 3 attained" in one]
    assert "died 8.6 %" in told
    assert page.attributes("script") == []
    assert asked[0].by is None


async def test_groups_stand_side_by_side_and_one_in_full(ask, asked):
    page = Page((await ask("/app/cohort?by=state")).text)
    assert ["ME", "140", "60", "42 (95 %: 42 to 42)", "not reached"] in page.rows
    assert "Dose and adherence are told group by group" in page.text
    full = Page((await ask("/app/cohort?by=state&stratum=NH")).text)
    assert "75 people, 30 attained" in full.text
    assert "Home practice done, NH" in full.text
    other = Page((await ask("/app/cohort?by=state&stratum=nobody")).text)
    assert "215 people, 90 attained" in other.text
    assert len(asked) == 1  # the same tables are counted once


async def test_the_same_answer_is_saved_as_csv_and_json(ask, asked):
    text = await ask("/app/cohort.csv?by=state")
    assert text.headers["content-disposition"] == 'attachment; filename="cohort.csv"'
    told = {tuple(row[:-1]): row[-1] for row in csv.reader(io.StringIO(text.text))}
    assert told["by visits", "closure-accuracy", "NH", "3", "attained"] == "30"
    assert len(asked) == 1
    tree = (await ask("/app/cohort.json?by=state")).json()
    assert tree["kinds"][0]["days"][0]["people"] == 215
    page = Page((await ask("/app/cohort?by=state&measure=hold-time")).text)
    saved = [one["href"] for one in page.attributes("a") if "cohort." in one["href"]]
    assert saved == [
        "/app/cohort.json?by=state&measure=hold-time",
        "/app/cohort.csv?by=state&measure=hold-time",
    ]


async def test_what_can_not_be_asked_is_said_above_the_form(ask, asked):
    found = await ask("/app/cohort?by=hair&first-visit=soon&condition=I69")
    page = Page(found.text)
    assert found.status_code == 400
    assert "'hair' is not one of" in page.text
    assert "'soon' is not a year" in page.text
    (written,) = [one for one in page.attributes("input") if one["id"] == "condition"]
    assert written["value"] == "I69"
    assert (await ask("/app/cohort?patient=1")).status_code == 400
    assert (await ask("/app/cohort.csv?patient=1")).status_code == 400
    assert asked == []


async def test_without_tables_it_says_how_there_would_be_some(ask, cohorts):
    cohorts.tables = ""
    page = Page((await ask("/app/cohort")).text)
    assert "There are no research tables here yet" in page.text
    assert (await ask("/app/cohort.csv")).status_code == 404


async def test_one_cohort_is_counted_at_a_time_and_anew_when_tables_change(cohorts, asked, tmp_path):
    async with cohorts.counting:
        with pytest.raises(StoreUnavailable):
            await cohorts.told({})
    for _ in range(2):
        await cohorts.told({})
    (tmp_path / "goal.csv").write_text("another release")
    await cohorts.told({})
    assert len(asked) == 2
    for year in range(2000, 2020):
        await cohorts.told({"first-visit": [str(year)]})
    assert len(cohorts._answers) == 16


def test_a_form_splits_what_is_written_and_leaves_out_what_is_empty():
    found = form(QueryParams("by=&condition=I69,+R13&age=&site=a,b&site=c"))
    assert found.given == {"site": ["a,b", "c"], "condition": ["I69", "R13"]}
    assert found.one("condition") == "I69, R13"
    with pytest.raises(InvalidInput, match="hair"):
        form(QueryParams("hair=red"))


def test_more_groups_than_can_be_told_from_each_other_are_not_drawn_together():
    many = answer(counts(*((f"s{number}", ENDED) for number in range(9))), Question(by="site"))
    view = cohort_view(many, "s3")
    assert view.kinds[0].groups is None
    assert len(view.kinds[0].strata.rows) == 10
    assert view.stratum == "s3"


def test_words_beside_lines_stand_in_the_drawing_and_apart_from_each_other():
    met = {"attained": 120, "waiting": 11}
    alike = answer(counts(*((f"s{number}", met) for number in range(7))), Question(by="site", smallest=1))
    drawing = cohort_view(alike, "everybody").kinds[0].groups
    heights = [mark.y for mark in drawing.marks if isinstance(mark, Text) and mark.x > BESIDE]
    assert len(heights) == 8
    assert all(0 < y < drawing.height for y in heights)
    assert all(below - above >= LINE for above, below in pairwise(sorted(heights)))
