"""The command ``cohort``: what it asks and how it tells; the counting itself is tested with its engines."""

import csv
import io
import json

import pytest
from click.testing import CliRunner

from service.cli import main
from service.jobs import cohort_engine
from service.jobs.cohort_counts import Counts, Group, Judged
from service.jobs.cohort_sources import NEEDED
from service.jobs.cohort_words import IN_COHORT

ENDED = {"attained": 60, "died": 3, "discharged": 30, "waiting": 38}


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """A folder of tables that nobody reads, and what was asked of it."""
    for name in NEEDED:
        (tmp_path / f"{name}.csv").touch()
    (tmp_path / "manifest.json").write_text('{"people": 140, "testPeople": 140, "policy": "safe-harbor 1"}')
    group = Group("closure-accuracy", "")
    banded = {group: {"no log": ENDED}}
    counts = Counts(
        {group: {21: ENDED}},
        {group: {3: ENDED}},
        banded,
        banded,
        banded,
        {"": {1: {"both_closed": Judged(90, 40), "both_open": Judged(3, 3)}}},
        {IN_COHORT: 131},
    )
    asked = []

    def counted(given, question, session=None):
        asked.append((given, question, session))
        return counts

    monkeypatch.setattr(cohort_engine, "counted", counted)
    return tmp_path, asked


def run(*words):
    found = CliRunner().invoke(main, ["cohort", *map(str, words)])
    return found.exit_code, found.output


def test_a_table_hides_small_counts_and_says_that_people_are_invented(folder):
    code, text = run(folder[0])
    assert code == 0
    assert text.startswith("All of the people are test data (HTEST)")
    assert "131 people" in text
    assert "care ended before" in text  # 3 died: told together with those discharged
    assert "hidden" in text.split("Own judgement of the opening probe")[1]
    assert " 3 " not in text.split("Own judgement of the opening probe")[1]


def test_json_and_csv_hold_what_the_table_holds(folder):
    code, text = run(folder[0], "--format", "json", "--smallest", 1)
    (kind,) = json.loads(text)["kinds"]
    assert (code, kind["days"][0]["median"]["time"]) == (0, None)
    assert kind["days"][0]["steps"][0]["ended"] == {"attained": 60, "left": 71}
    code, text = run(folder[0], "--format", "csv")
    rows = list(csv.DictReader(io.StringIO(text)))
    told = {(row["answer"], row["row"], row["column"]): row["value"] for row in rows}
    assert told["by days", "21", "attained"] == "60"
    assert told["Own judgement of the opening probe", "1", "said open, was open"] == "hidden"


def test_what_is_asked_reaches_the_count(folder):
    words = ("--by", "site", "--measure", "hold-time", "--condition", "I6", "--age", "60-69")
    run(folder[0], *words, "--first-visit", "2024..2026", "--policy", "safe-harbor", "--site", "x")
    ((given, question, session),) = folder[1]
    assert (given[0].policy, given[0].people, session) == ("safe-harbor", 140, None)
    assert (question.by, question.measures, question.conditions) == ("site", ("hold-time",), ("I6",))
    assert (question.ages, question.first_visit, question.policies) == (
        ("60-69",),
        (2024, 2026),
        ("safe-harbor",),
    )
    assert (question.sites, question.smallest) == (("x",), 11)


def test_how_small_a_count_is_told_is_the_site_s_unless_it_is_asked_otherwise(folder, monkeypatch):
    monkeypatch.setenv("SWALLOW_SMALLEST_CELL", "20")
    run(folder[0])
    run(folder[0], "--smallest", 5)
    assert [question.smallest for _, question, _ in folder[1]] == [20, 5]


def test_a_question_that_can_not_be_asked_is_refused(folder):
    code, text = run(folder[0], "--measure", "luck", "--first-visit", "soon")
    assert code != 0
    assert "'luck' is not one of" in text
    assert "'soon' is not a year" in text
    assert folder[1] == []
