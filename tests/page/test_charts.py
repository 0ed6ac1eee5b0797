from dataclasses import replace
from datetime import date, timedelta
from fractions import Fraction
from xml.etree import ElementTree as ET

import page_samples as samples
import pytest

from service.page.charts import describe, run_chart
from service.page.run_chart import specification
from service.page.view_model import Measure, Reading

AIRWAY = Measure("airway-entry-group", "Airway entry, worst", "group", 1, 4, 1, "levels", "lower")


def layers(goal):
    return specification(goal).to_dict()["layer"]


def data(goal):
    """All rows the chart is drawn from."""
    return [row for rows in specification(goal).to_dict().get("datasets", {}).values() for row in rows] + [
        row for layer in layers(goal) for row in layer.get("data", {}).get("values", [])
    ]


def texts(svg: str) -> list[str]:
    root = ET.fromstring(svg)  # noqa: S314 - our own drawing
    return ["".join(node.itertext()) for node in root.iter("{http://www.w3.org/2000/svg}text")]


def test_the_chart_draws_the_numbers_of_the_answer_unrounded():
    rows = {row["day"][:10]: row for row in data(samples.LOST) if "marker" in row}
    assert {day: (row["value"], row["low"], row["high"]) for day, row in rows.items()} == {
        reading.day.isoformat(): (float(reading.value), reading.low, reading.high)
        for reading in samples.READINGS
        if reading.value is not None
    }


def test_the_line_is_not_drawn_across_a_gap():
    segments = {row["day"][:10]: row["segment"] for row in data(samples.LOST) if "segment" in row}
    assert segments["2026-07-31"] != segments["2026-08-28"]
    assert segments["2026-07-17"] == segments["2026-07-31"]
    assert "not measured" in texts(run_chart(samples.LOST))


def test_markers_tell_target_and_too_few_trials_by_shape_and_fill():
    markers = {row["day"][:10]: row["marker"] for row in data(samples.LOST) if "marker" in row}
    assert markers["2026-06-05"] == "below target"
    assert markers["2026-06-19"] == "at target"
    assert markers["2026-07-03"] == "not counted"
    points = next(layer for layer in layers(samples.LOST) if "shape" in layer.get("encoding", {}))
    assert points["encoding"]["shape"]["scale"]["range"] == ["circle", "circle", "diamond"]
    assert points["encoding"]["fill"]["scale"]["range"][1] == "#ffffff"


def test_everything_that_matters_is_written_as_well():
    assert {"goal 80 %", "criterion met", "lost again", "due", "4/5", "3/4"} <= set(
        texts(run_chart(samples.LOST))
    )
    assert {"goal level 6", "on hold"} <= set(texts(run_chart(samples.EATING)))


def test_an_ordinal_scale_has_every_level_and_only_levels_and_steps_between():
    drawn = texts(run_chart(samples.EATING))
    assert [text for text in drawn if text.isdigit()] == ["1", "2", "3", "4", "5", "6", "7"]
    line = next(layer for layer in layers(samples.EATING) if "detail" in layer.get("encoding", {}))
    assert line["mark"]["interpolate"] == "step-after"


def test_groups_are_written_as_letters():
    readings = (
        Reading(date(2026, 1, 5), Fraction(4)),
        Reading(date(2026, 3, 5), Fraction(2), at_target=True),
    )
    goal = replace(samples.EATING, measure=AIRWAY, target=Fraction(2), readings=readings, met_run=None)
    drawn = texts(run_chart(goal))
    assert {"A", "B", "C", "D", "goal group B"} <= set(drawn)


def test_days_stand_at_their_dates_whatever_the_time_zone(monkeypatch):
    monkeypatch.setenv("TZ", "America/Los_Angeles")
    drawn = texts(run_chart(replace(samples.LOST, description="in another zone")))
    assert "5 Jun" in drawn
    assert "4 Jun" not in drawn


def test_a_due_date_far_away_does_not_squeeze_the_visits():
    far = replace(samples.LOST, due=samples.LOST.readings[-1].day + timedelta(days=900))
    assert "due" not in texts(run_chart(far))


def test_one_visit_and_no_visit_are_drawn_or_left_out():
    single = replace(samples.LOST, readings=samples.READINGS[:1], regressed=None, met_run=None)
    assert "2/5" in texts(run_chart(single))
    assert run_chart(samples.NEW) == ""


def test_only_gaps_are_still_a_chart():
    readings = (Reading(date(2026, 1, 5)), Reading(date(2026, 1, 12)))
    goal = replace(samples.LOST, readings=readings, regressed=None, met_run=None, due=None)
    assert texts(run_chart(goal)).count("not measured") == 2


def test_title_and_description_are_escaped_and_complete():
    svg = run_chart(replace(samples.LOST, description="<script>&"))
    root = ET.fromstring(svg)  # noqa: S314 - our own drawing
    title = root.find("{http://www.w3.org/2000/svg}title")
    assert title is not None
    assert title.text == "<script>&"
    told = describe(samples.LOST)
    assert all(f"{reading.day.day} {reading.day:%b %Y}" in told for reading in samples.READINGS)
    assert "Higher is better." in told


@pytest.mark.parametrize("goal", [samples.LOST, samples.EATING])
def test_the_same_content_is_drawn_once(goal, monkeypatch):
    first = run_chart(goal)
    monkeypatch.setattr("vl_convert.vegalite_to_svg", None)
    assert run_chart(goal) == first
