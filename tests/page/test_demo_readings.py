"""What each invented person's page has to tell: the readings the demo was made for.

Counts and statuses follow from the trials of the example records; they are compared with the answer of the
operation as well, so that the page can't show another number than the API.
"""

import io
import re
from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import pypdf
import pytest
from demo_store import Demo
from page_reader import Page

from service.page import cautions
from service.page.amended_rows import AmendedView
from service.page.facts import encounters_by_day
from service.page.rendering import html
from service.page.stored import StoredViews
from service.page.summary import summary_pdf
from service.records.views import Encounter
from service.store.pages import about, viewed

NOW = datetime(2026, 12, 1, 9, 0, tzinfo=UTC)
ZONE = ZoneInfo("UTC")


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    loaded = Demo.of(tmp_path_factory.mktemp("demo"))
    yield loaded
    loaded.run(loaded.store.close())


@pytest.fixture(scope="module")
def views(demo):
    return StoredViews(demo.store, ZONE, lambda: NOW)


@pytest.fixture(scope="module")
def page(demo, views):
    """A person's page as of a day."""

    def read(person: str, day: str) -> Page:
        view = demo.run(views.patient(demo.patient(person), date.fromisoformat(day)))
        return Page(
            html("patient.html", caller="clinician", view=view, decisions=(), decided="").body.decode()
        )

    return read


@pytest.fixture(scope="module")
def visit(demo, views):
    """The page of a person's visit of a day."""

    def read(person: str, day: str) -> Page:
        id_ = demo.patient(person)
        encounters = demo.run(viewed(demo.store, Encounter, about("Encounter", id_)))
        view = demo.run(views.visit(id_, encounters_by_day(encounters, ZONE)[date.fromisoformat(day)]))
        told = {"view": view, "amended": AmendedView(), "decisions": (), "decided": ""}
        return Page(html("visit.html", caller="clinician", **told).body.decode())

    return read


def standing(page: Page) -> list[list[str]]:
    """The row of each goal."""
    rows = page.rows
    return [rows[at + 1] for at, row in enumerate(rows) if row[:1] == ["Baseline"]]


def number(cell: str) -> float:
    """The first number of a cell."""
    found = re.search(r"\d+(?:\.\d+)?", cell)
    assert found
    return float(found[0])


def test_sampleby_achieved_and_no_longer_over_confident(page):
    found = page("demo-01", "2026-03-24")
    closure, judgement, intake = standing(found)
    assert closure == [
        "20 % 1 of 5 3 Feb 2026",
        "80 % 4 of 5 24 Mar 2026 95 % interval 38 % to 96 %",
        "80 % or more on 2 consecutive visits: met on 24 Mar 2026",
        "7 Apr 2026, 14 days left",
        "achieved",
        "achieved goal is active",
    ]
    assert judgement[2] == "80 % or more on 2 consecutive visits: met on 24 Feb 2026"
    assert intake[:2] == ["level 4 3 Feb 2026", "level 6 24 Mar 2026"]
    assert "the run of 10 Mar 2026 to 24 Mar 2026, together 8 of 10 trials, 95 % interval 49 % to 94 %" in (
        found.text
    )
    assert "+10 points a week over 6 results" in found.text
    assert "−11 points, a reliable improvement (9 or more is reliable, approximately)" in found.text
    assert "3 Feb 2026 +0.6, over-confident" in found.text
    assert "24 Mar 2026 0" in found.text
    # 16 of 16 trials that were closed called so, and 6 of 14 that were not
    assert "Said closed when closed 100 % (16 of 16)" in found.text
    assert "Said not closed when open 57 % (8 of 14)" in found.text
    assert "d′ = 2.06, c = −0.86, threshold +0.17" in found.text
    assert "T 31.74 at the start, 54.56 now, change +22.82" in found.text
    assert "91 % of logged days" in found.text
    assert "level 0, 10 mL, supraglottic swallow: 7 without, 3 with it, better" in found.text


def test_fictionsen_sustaining_while_the_logged_dose_falls(page):
    found = page("demo-02", "2026-07-24")
    closure, judgement = standing(found)
    assert (closure[4], judgement[4]) == ("sustaining", "sustaining")
    assert closure[2] == "80 % or more on 2 consecutive visits: met on 27 Mar 2026"
    assert "4 later visits count" in found.text
    shares = [row[1] for row in found.rows if len(row) == 4 and "counting unlogged days as zero" in row[1]]
    assert shares[0].startswith("93 % of logged days")
    assert shares[-2].startswith("50 % of logged days")  # 49.5 %
    assert shares[-1].startswith("74 % of logged days")
    kappas = [row[3] for row in found.rows if len(row) == 5 and row[1] == "5 of 5"]
    assert kappas.count("all trials alike; kappa has no meaning") == 4


def test_demoray_plateau_over_confident_and_little_practice(page):
    found = page("demo-03", "2026-06-29")
    closure, judgement = standing(found)
    assert (closure[4], judgement[4]) == ("no change", "no change")
    assert closure[0].startswith("40 % 2 of 5")
    assert closure[1].startswith("60 % 3 of 5")
    biases = re.findall(r"2026 \+(0\.\d), over-confident", found.text)
    assert biases[:6] == ["0.6", "0.4", "0.4", "0.2", "0.4", "0.2"]
    assert "39 % of logged days; 39 % counting unlogged days as zero" in found.text
    assert "0 points, not more than the score varies by itself" in found.text
    due = standing(page("demo-03", "2026-08-01"))[0]
    assert due[3:5] == ["31 Jul 2026, 1 day past due", "not achieved"]


def test_mockridge_worsening_with_red_flags_and_the_goal_on_hold(page):
    found = page("demo-04", "2026-09-28")
    closure, judgement = standing(found)
    assert (closure[4], closure[5]) == ("worsening", "none stated goal is on hold")
    assert judgement[4] == "sustaining"
    assert "Red flags, last visit fever; new wet voice; weight loss" in found.text
    assert "The EAT-10 total rose from 15 (3 Aug 2026) to 26." in found.text
    assert "+11 points, a reliable worsening (9 or more is reliable, approximately)" in found.text
    assert "level 3 of 7 (28 Sep 2026)" in found.text
    assert "absence of a cue does not mean safety" in found.text
    assert "practice stops until he has been seen" in found.text
    assert "21 % counting unlogged days as zero (14 of 14 days with a log, 14 Sep 2026" in found.text
    visits = {row[0]: row for row in found.rows if len(row) == 9}
    assert visits["3 Aug 2026"][5] == "no visit before"
    # the block after training was not done: nothing was measured, which is not that nothing changed
    assert visits["28 Sep 2026 stopped early"][2:6] == [
        "not done",
        "not measured",
        "not measured",
        "−20 points",
    ]
    assert "−40 points; −73 to +16 points; 0 gained, 2 lost of 5 postures; Five trials cannot" in found.text
    assert "no baseline phase, phase statistics not computed" in found.text
    after = page("demo-04", "2026-09-30")
    assert "worst 8, most often 3 and 6 and 7 and 8; 4 of 4 at 3 or more, 3 of 4 at 6 or more" in after.text
    assert "groups A/B/C/D 0/2/1/1" in after.text
    assert "Groups of scores: A 1, 2, 4; B 3, 5, 6; C 7; D 8." in after.text
    assert "level 0, 10 mL: 3 before, 8 now, worse" in after.text


def test_mockridge_last_session_was_stopped(visit):
    found = visit("demo-04", "2026-09-28")
    assert "Red flags: fever; new wet voice; weight loss" in found.text
    assert "After training: stopped for safety after the first block" in found.text
    assert "After training" not in found.rows[found.rows.index(["Posture", "Before feedback"])][1:]


def test_a_level_measured_again_and_the_same_is_no_change(visit):
    rows = visit("demo-04", "2026-09-30").rows
    assert [
        "Oral intake level, 1 to 7",
        "level 3 (28 Sep 2026)",
        "level 3 (30 Sep 2026)",
        "no",
    ] in rows


def test_testwell_regressed_with_gaps_told_as_gaps(page):
    found = page("demo-05", "2026-09-11")
    closure, judgement = standing(found)
    assert closure[2] == (
        "80 % or more on 2 consecutive visits: 0 of 2 so far; "
        "met on 17 Jul 2026 and lost again on 11 Sep 2026"
    )
    assert (closure[4], closure[5]) == ("worsening", "achieved goal is active")
    assert judgement[4] == "sustaining"
    assert "Computed and stated differ: the numbers say worsening, the record states achieved." in found.text
    assert "Age 91" in found.text
    assert "effort limit: light" in found.text
    readings = {row[0]: row[1:] for row in found.rows if len(row) == 7 and row[3:4] != ["At target"]}
    assert readings["3 Jul 2026"][0] == "75 % (3 of 4)"
    assert readings["3 Jul 2026"][2] == "counted neither way"
    assert "1 not observable: view lost" in readings["3 Jul 2026"][5]
    assert "log not returned" in found.text
    assert "40 % counting unlogged days as zero" in found.text
    assert "28 Aug 2026 not measured" in found.text
    low_once = standing(page("demo-05", "2026-08-28"))[0]
    assert low_once[4] == "sustaining"


def test_testwell_visit_shows_the_lost_view_and_what_changed(visit):
    found = visit("demo-05", "2026-07-03")
    assert ["EAT-10 total, 0 to 40", "13 points (5 Jun 2026)", "9 points (3 Jul 2026)", "yes"] in found.rows
    assert ["Body weight", "64.2 kg (29 May 2026)", "64.2 kg (29 May 2026)", "no"] in found.rows
    lost = next(row for row in found.rows if row[0] == "turned right, jaw closed")
    assert lost[1] == "not observable: view lost not asked light, hold not recorded"
    assert lost[2] == "closed said closed light, 4 s Not observable?"


@pytest.mark.parametrize(
    ("person", "day"),
    [
        ("demo-01", "2026-03-26"),
        ("demo-02", "2026-07-28"),
        ("demo-03", "2026-06-29"),
        ("demo-04", "2026-09-30"),
        ("demo-05", "2026-09-15"),
    ],
)
def test_the_page_shows_the_numbers_of_the_operation_cell_by_cell(demo, page, person, day):
    shown, goals = standing(page(person, day)), demo.answer(person, day).all("goal")
    assert len(shown) == len(goals)
    for row, goal in zip(shown, goals, strict=True):
        assert number(row[0]) == goal.get("baseline")
        assert number(row[1]) == goal.get("latest")
        day = date.fromisoformat(goal.get("latestDate"))
        assert f"{day.day} {day:%b %Y}" in row[1]
        if (k := goal.get("numerator")) is not None:
            assert f"{k} of {goal.get('denominator')}" in row[1]
            limits = [round(goal.get("interval")[end]["value"]) for end in ("low", "high")]
            assert "95 % interval {} % to {} %".format(*limits) in row[1]
        assert row[4].replace(" ", "-") == goal.get("computedStatus")
        assert row[5].split(" goal is ")[0].replace(" ", "-") in (goal.get("statedStatus"), "none-stated")


def test_a_study_says_how_it_was_seen(page, visit):
    assert page("demo-01", "2026-03-26").text.count("X-ray study (videofluoroscopic), view good") == 2
    assert "endoscopic study, view good" in page("demo-04", "2026-09-30").text
    assert "endoscopic study, view good" in visit("demo-04", "2026-09-30").text
    assert "Against the study of 27 Jul 2026, like for like" in page("demo-04", "2026-09-30").text


def test_the_home_plan_in_force_stands_with_its_doses_and_stop_rules(page):
    found = page("demo-02", "2026-03-27")
    assert "Plan: 27 Mar 2026 to 30 Jul 2026" in found.text
    assert [
        "Breath-hold drill",
        "1 × 5 repetitions, 3 a day, 7 days a week, 18 weeks",
        "hold 3 s, medium effort, with saliva",
    ] in found.rows
    assert "weakness or bleeding, and call. (explained 27 Mar 2026, taught back)" in found.text
    assert "Plan: 6 Mar 2026" in page("demo-02", "2026-03-26").text
    assert ", on hold: " in page("demo-04", "2026-09-28").text.partition("Plan: ")[2][:60]
    assert "Plan:" not in page("demo-02", "2026-02-27").text


def test_cautions_stand_where_the_work_is_shown(page, visit):
    practised = {cautions.EXERCISES, cautions.FOOD, cautions.HOME}
    pages = {
        page("demo-01", "2026-03-26"): practised | {cautions.XRAY},
        page("demo-05", "2026-09-15"): practised | {cautions.ENDOSCOPY},
        page("demo-05", "2026-05-30"): {cautions.ENDOSCOPY},
        visit("demo-05", "2026-07-03"): {cautions.EXERCISES, cautions.ENDOSCOPY},
        visit("demo-04", "2026-09-30"): {cautions.ENDOSCOPY},
        visit("demo-01", "2026-01-27"): {cautions.XRAY},
    }
    for shown, expected in pages.items():
        text = shown.text
        told = {one for one in practised | {cautions.ENDOSCOPY, cautions.XRAY} if one[1] in text}
        assert told == expected
        assert {text.count(f"{name}. {said}") for name, said in told} == {1}


def test_the_sheet_of_paper_has_them_and_stays_one_page(demo, views):
    view = demo.run(views.patient(demo.patient("demo-05"), date(2026, 9, 15)))
    paper = pypdf.PdfReader(io.BytesIO(summary_pdf(view, author="wren", made=NOW.date())))
    text = re.sub(r"\s+", " ", " ".join(sheet.extract_text() for sheet in paper.pages))
    assert len(paper.pages) == 1
    for name, said in (cautions.EXERCISES, cautions.FOOD, cautions.ENDOSCOPY):
        assert f"{name}. {said}" in text
    assert "Swallow study 15 Sep 2026 endoscopic study, view good; " in text


def test_the_safety_sentences_stand_once_each(page):
    text = page("demo-04", "2026-09-28").text
    for sentence in (
        "Percentages from five trials are rough.",
        "absence of a cue does not mean safety.",
        "It does not diagnose, choose treatment, or decide what is safe to eat or drink.",
    ):
        assert text.count(sentence) == 1
