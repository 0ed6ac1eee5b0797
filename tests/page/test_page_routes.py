import re
from dataclasses import replace
from datetime import date

import page_samples as samples
import pytest
from page_reader import Page

from service.attainment.cues import Cue
from service.page import words
from service.page.patient_view import PatientView

pytestmark = pytest.mark.anyio
HOSTILE = "<script>alert('x')</script>\"'&--><svg onload=alert(1)>"


async def test_the_banner_tells_what_to_know_first(get):
    text = Page((await get("/app/patients/p1")).text).text
    for fact in (
        "Age 91 (born 1935)",
        "Oropharyngeal dysphagia after stroke; Coronary artery disease",
        "Oral intake now level 5 of 7 (11 Sep 2026)",
        "Diet and tube drinks level 2, food level 5",
        "limited (5 Jun 2026), effort limit: light",
        "new cough; eating much less",
        "11 Sep 2026, today",
    ):
        assert fact in text


@pytest.mark.parametrize(
    ("flags", "said"), [(None, "not asked"), ((), "none reported"), (("fever",), "fever")]
)
async def test_red_flags_not_asked_and_none_reported_are_told_apart(get, views, flags, said):
    views.person = replace(samples.PERSON, banner=replace(samples.PERSON.banner, red_flags=flags))
    assert f"Red flags, last visit {said}" in Page((await get("/app/patients/p1")).text).text


async def test_a_goal_row_carries_the_numbers_of_the_answer(get):
    page = Page((await get("/app/patients/p1")).text)
    assert page.rows[1] == [
        "40 % 2 of 5 5 Jun 2026",
        "40 % 2 of 5 11 Sep 2026 95 % interval 12 % to 77 %",
        words.criterion(samples.LOST),
        "25 Sep 2026, 14 days left",
        "worsening",
        "achieved goal is active",
    ]
    assert "2 of 5; with so few trials the true rate could be about 12 % to 77 %." in page.text
    assert "the numbers say worsening, the record states achieved" in page.text
    assert "32 % of logged days; 32 % counting unlogged days as zero" in page.text


async def test_the_table_behind_the_chart_has_a_row_per_visit(get):
    page = Page((await get("/app/patients/p1")).text)
    start = next(i for i, row in enumerate(page.rows) if row[0] == "Visit")
    assert page.rows[start + 1] == [
        "5 Jun 2026",
        "40 % (2 of 5)",
        "12 % to 77 %",
        "no",
        "4 of 5",
        "3 of 5",
        "nothing",
    ]
    assert page.rows[start + 3] == [
        "3 Jul 2026",
        "75 % (3 of 4)",
        "30 % to 95 %",
        "counted neither way",
        "not asked",
        "5 of 5",
        "1 not observable: view lost",
    ]
    assert page.rows[start + 6][1:4] == ["not measured", "none", "not measured"]
    assert len(page.rows) > start + len(samples.READINGS)


async def test_the_numbers_and_service_sentences_are_at_the_foot_of_every_page(get):
    for path in ("/app", "/app/patients/p1", "/app/sign-in", "/app/none"):
        text = Page((await get(path)).text).text
        assert "Percentages from five trials are rough." in text
        assert "It does not diagnose, choose treatment, or decide what is safe to eat or drink." in text


async def test_hostile_text_stays_text_everywhere(get, views):
    goal = replace(samples.LOST, description=HOSTILE, stated_reason=HOSTILE, why=HOSTILE, trend=HOSTILE)
    banner = replace(
        samples.PERSON.banner, name=HOSTILE, conditions=(HOSTILE,), red_flags=(HOSTILE,), diet=HOSTILE
    )
    cue = Cue("red-flag", HOSTILE)
    views.person = replace(samples.PERSON, banner=banner, goals=(goal,), cues=(cue,), review=HOSTILE)
    page = Page((await get("/app/patients/p1")).text)
    assert HOSTILE in page.text
    assert not page.attributes("script")
    assert not [name for _, attributes in page.tags for name in attributes if name.startswith("on")]


@pytest.mark.parametrize("path", ["/app", "/app/patients/p1", "/app/sign-in", "/app/style.css"])
async def test_no_page_names_an_outside_host_or_carries_script_or_inline_style(get, path):
    text = (await get(path)).text
    addresses = set(re.findall(r"(?:https?:)?//[\w.-]+[^\s\"'<]*", text))
    assert addresses <= {"http://www.w3.org/2000/svg", "http://www.w3.org/1999/xlink"}
    assert "@import" not in text
    assert "url(" not in text
    if not path.endswith(".css"):
        page = Page(text)
        assert not page.attributes("script")
        assert not page.attributes("style")
        assert not [attributes for _, attributes in page.tags if "style" in attributes]


async def test_every_form_field_is_labelled_and_every_id_is_used_once(get):
    for path in ("/app/patients/p1", "/app/sign-in"):
        page = Page((await get(path)).text)
        ids = [attributes["id"] for _, attributes in page.tags if "id" in attributes]
        assert len(ids) == len(set(ids))
        labelled = {label["for"] for label in page.attributes("label")}
        assert {field["id"] for field in page.attributes("input")} == labelled
        named = [name for _, a in page.tags for name in (a.get("aria-labelledby") or "").split()]
        assert set(named) <= set(ids)


async def test_the_chart_is_described_for_those_who_do_not_see_it(get):
    page = Page((await get("/app/patients/p1")).text)
    charts = [svg for svg in page.attributes("svg") if svg.get("role") == "img"]
    assert len(charts) == 2
    assert "14 Aug 2026 not measured" in page.text


async def test_the_day_is_asked_for_in_the_address(get, views):
    await get("/app/patients/p1?date=2026-07-17")
    assert views.asked == ("p1", date(2026, 7, 17))
    await get("/app/patients/p1?date=")
    assert views.asked == ("p1", None)


async def test_each_visit_is_a_link_to_the_goals_as_of_that_day(get):
    page = Page((await get("/app/patients/p1")).text)
    assert {"href": "/app/patients/p1?date=2026-08-28"} in page.attributes("a")
    assert {"href": "/app/patients/p1?date=2026-09-11", "aria-current": "date"} in page.attributes("a")


@pytest.mark.parametrize("day", ["yesterday", "2026-02-30", "<script>", "2026-7-1"])
async def test_a_day_that_is_none_is_answered_with_what_to_do(get, day):
    answer = await get(f"/app/patients/p1?date={day}")
    assert answer.status_code == 400
    page = Page(answer.text)
    assert f"'{day}' is not a date like 2026-03-24." in page.text
    assert not page.attributes("script")


async def test_an_unknown_person_or_address_is_a_page_that_says_so(get):
    for path in ("/app/patients/nobody", "/app/somewhere/else"):
        answer = await get(path)
        assert answer.status_code == 404
        assert answer.headers["content-type"].startswith("text/html")


async def test_a_person_without_goals_or_facts_is_still_a_page(get, views):
    views.person = PatientView(
        "p1", date(2026, 1, 1), replace(samples.PERSON.banner, name="Nobody", conditions=())
    )
    assert "No goals had been set by 1 Jan 2026." in Page((await get("/app/patients/p1")).text).text


async def test_a_cue_stands_with_what_it_rests_on_and_none_with_the_caution(get, views):
    assert "No attention cue on 11 Sep 2026." in Page((await get("/app/patients/p1")).text).text
    views.person = replace(samples.PERSON, cues=(Cue("red-flag", "Fever.", {}, ("Observation/o1",)),))
    page = Page((await get("/app/patients/p1")).text)
    assert "Attention Fever. Attention cues are reminders" in page.text
    assert {"href": "/app/resources/Observation/o1"} in page.attributes("a")


def test_progress_towards_the_criterion_is_told_in_words():
    assert words.criterion(samples.LOST) == (
        "80 % or more on 2 consecutive visits: 0 of 2 so far; "
        "met on 17 Jul 2026 and lost again on 11 Sep 2026"
    )
    assert words.criterion(samples.EATING) == "level 6 or higher on 1 visit: met on 5 Sep 2026"
    assert words.criterion(samples.NEW) == "80 % or more on 1 visit: 0 of 1 so far"
    loose = replace(samples.NEW, needed=3, of=5, weeks=2, without_cues=True, run=1)
    assert words.criterion(loose) == (
        "80 % or more on 3 of 5 consecutive visits in at least 2 calendar weeks without cues: 1 of 3 so far"
    )


def test_the_sentence_on_few_trials_names_count_and_interval():
    reading = replace(samples.READINGS[1])
    assert words.rough(reading, samples.CLOSURE) == (
        "4 of 5; with so few trials the true rate could be about 38 % to 96 %."
    )


def test_days_of_the_computed_answer_are_written_as_everywhere_on_the_page():
    assert words.dated("Fell from 6 (2026-08-17) to 3.") == "Fell from 6 (17 Aug 2026) to 3."
    assert words.dated("said: 2026-02-30, 12026-01-01") == "said: 2026-02-30, 12026-01-01"
