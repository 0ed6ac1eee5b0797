"""The sheet of paper: the page's own cells, tagged, and the same bytes for the same content."""

import io
import re
from dataclasses import replace
from datetime import date

import page_samples as samples
import pypdf
import pytest

from service.attainment.cues import Cue
from service.page import cautions
from service.page.summary import GOAL_COLUMNS, goal_row, summary_pdf

MADE = date(2026, 9, 12)
VIEW = replace(samples.PERSON, cues=(Cue("red-flag", "Red flags answered yes: fever."),), engine="1.1.0")


def sheet(view=VIEW):
    return pypdf.PdfReader(io.BytesIO(summary_pdf(view, author="wren", made=MADE)))


def text(view=VIEW):
    # a word broken at the end of a line keeps its hyphen only in the drawing
    return re.sub(r"\s+", " ", " ".join(page.extract_text() for page in sheet(view).pages))


def test_it_holds_every_cell_of_the_page_the_cautions_the_author_and_the_engine():
    found = text()
    for goal in VIEW.goals:
        for cell in goal_row(goal):
            assert cell in found
    for sentence in (*cautions.EVERYWHERE, VIEW.cue_caution, "Red flags answered yes: fever.", *GOAL_COLUMNS):
        assert sentence in found
    assert "Made for wren on 12 Sep 2026; engine version 1.1.0" in found
    assert "As of 11 Sep 2026, test data, an invented person" in found
    assert "Computed and stated differ: the numbers say worsening, the record states achieved." in found


def test_it_is_one_page_and_tagged_for_readers_that_do_not_see_it():
    paper = sheet()
    root = paper.trailer["/Root"]
    assert len(paper.pages) == 1
    assert root["/MarkInfo"]["/Marked"]
    assert root["/Lang"] == "en"
    assert b"pdfuaid:part>1<" in root["/Metadata"].get_object().get_data()
    assert paper.metadata.title == "Progress summary: Marlowe Testwell"


def test_the_same_content_gives_the_same_bytes():
    assert summary_pdf(VIEW, author="wren", made=MADE) == summary_pdf(VIEW, author="wren", made=MADE)


@pytest.mark.parametrize("hostile", ['#panic("x")', "*a* _b_ $c$ @d <e> \\", "//x /* y"])
def test_text_is_never_read_as_markup(hostile):
    banner = replace(VIEW.banner, name=hostile)
    assert hostile in text(replace(VIEW, banner=banner))


def test_a_letter_that_no_font_has_does_not_keep_the_sheet_back():
    banner = replace(VIEW.banner, name="Marlowe \U000e0fff")
    assert "Marlowe" in text(replace(VIEW, banner=banner))


def test_without_goals_and_cues_it_says_so():
    found = text(replace(VIEW, goals=(), cues=()))
    assert "No attention cue." in found


@pytest.mark.anyio
async def test_it_is_asked_for_at_the_persons_page(get, views):
    answer = await get("/app/patients/p1/summary.pdf?date=2026-09-11")
    assert answer.headers["content-type"] == "application/pdf"
    assert answer.headers["content-disposition"] == 'inline; filename="progress-summary-2026-09-11.pdf"'
    assert answer.headers["cache-control"] == "no-store"
    assert views.asked == ("p1", date(2026, 9, 11))
    assert (
        "Made for clinician on 12 Sep 2026"
        in pypdf.PdfReader(io.BytesIO(answer.content)).pages[0].extract_text()
    )
