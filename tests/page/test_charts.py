from dataclasses import replace
from datetime import date, timedelta
from fractions import Fraction
from itertools import pairwise
from xml.etree import ElementTree as ET

import page_samples as samples
import pytest

from service.page import charts
from service.page.charts import run_chart
from service.page.drawing import Box, Line, Marker, Text, svg
from service.page.run_chart import BOTTOM, TOP, describe
from service.page.run_chart import run_chart as drawn
from service.page.view_model import Count, Measure, Reading

AIRWAY = Measure("airway-entry-group", "Airway entry, worst", "group", 1, 4, 1, "levels", "lower")


def marks(goal, kind, role):
    return [one for one in drawn(goal).marks if isinstance(one, kind) and role in one.role.split()]


def texts(goal) -> list[str]:
    return [mark.words for mark in drawn(goal).marks if isinstance(mark, Text)]


def value_at(y: float) -> float:
    """The percentage at a height."""
    return 100 * (BOTTOM - y) / (BOTTOM - TOP)


def test_the_chart_draws_the_numbers_of_the_answer_unrounded():
    measured = [one for one in samples.READINGS if one.value is not None]
    points = marks(samples.LOST, Marker, "point")
    assert [value_at(point.y) for point in points] == pytest.approx([float(one.value) for one in measured])
    upright = [one for one in marks(samples.LOST, Line, "whisker") if one.points[0][0] == one.points[1][0]]
    assert [[value_at(y) for _, y in one.points] for one in upright] == [
        pytest.approx([one.low, one.high]) for one in measured
    ]


def test_days_stand_on_a_real_date_axis():
    points = marks(samples.LOST, Marker, "point")
    days = [one.day for one in samples.READINGS if one.value is not None]
    first, last = points[0].x, points[-1].x
    shares = [(day - days[0]).days / (days[-1] - days[0]).days for day in days]
    assert [(point.x - first) / (last - first) for point in points] == pytest.approx(shares)


def test_the_line_is_not_drawn_across_a_gap():
    runs = marks(samples.LOST, Line, "run")
    assert [len(one.points) for one in runs] == [5, 2]
    assert "not measured" in texts(samples.LOST)
    assert len(marks(samples.LOST, Marker, "gap")) == 1


def test_the_line_is_not_drawn_across_a_change_of_phase():
    goal = replace(samples.LOST, phases=((date(2026, 7, 10), "plan changed"),))
    assert [len(one.points) for one in marks(goal, Line, "run")] == [3, 2, 2]
    assert "plan changed" in texts(goal)


def test_markers_tell_target_and_too_few_trials_by_shape_and_fill():
    points = marks(samples.LOST, Marker, "point")
    assert [("met" in point.role, point.shape) for point in points] == [
        (False, "circle"),
        (True, "circle"),
        (False, "diamond"),
        (True, "circle"),
        (True, "circle"),
        (False, "circle"),
        (False, "circle"),
    ]


def test_everything_that_matters_is_written_as_well():
    assert {"goal 80 %", "criterion met", "lost again", "due", "4/5", "3/4"} <= set(texts(samples.LOST))
    assert {"goal 6", "on hold"} <= set(texts(samples.EATING))
    assert len(marks(samples.EATING, Box, "held")) == 1


def test_an_ordinal_scale_has_every_level_and_only_levels_and_steps_between():
    levels = [mark.words for mark in marks(samples.EATING, Text, "tick") if mark.words.isdigit()]
    assert levels == ["1", "2", "3", "4", "5", "6", "7"]
    (run,) = marks(samples.EATING, Line, "run")
    assert all(a[0] == b[0] or a[1] == b[1] for a, b in pairwise(run.points))


@pytest.mark.parametrize(
    ("measure", "values", "written"),
    [
        (samples.INTAKE, (6, 3), ["6", "3"]),
        (AIRWAY, (1, 4), ["A", "D"]),
        (replace(samples.CLOSURE, unit="points", high=40), (15, 26), ["15", "26"]),
        (replace(samples.CLOSURE, unit="kg", low=70, high=80), (Fraction("78.6"), 74), ["78.6", "74"]),
        (samples.CLOSURE, (80, 100), ["80 %", "100 %"]),
    ],
)
def test_a_point_without_trials_has_its_value_beside_it(measure, values, written):
    """On a phone the axis is out of sight where the newest visits are seen."""
    days = (date(2026, 1, 5), date(2026, 3, 5))
    readings = tuple(Reading(day, Fraction(value)) for day, value in zip(days, values, strict=True))
    goal = replace(samples.EATING, measure=measure, target=None, readings=readings, met_run=None)
    assert [mark.words for mark in marks(goal, Text, "count")] == written


def test_groups_are_written_as_letters():
    readings = (
        Reading(date(2026, 1, 5), Fraction(4)),
        Reading(date(2026, 3, 5), Fraction(2), at_target=True),
    )
    goal = replace(samples.EATING, measure=AIRWAY, target=Fraction(2), readings=readings, met_run=None)
    assert {"A", "B", "C", "D", "goal B"} <= set(texts(goal))


def test_a_due_date_far_away_does_not_squeeze_the_visits():
    far = replace(samples.LOST, due=samples.LOST.readings[-1].day + timedelta(days=900))
    assert "due" not in texts(far)


def test_labels_of_days_do_not_touch():
    days = [date(2026, 1, 1) + timedelta(days=number) for number in range(60)]
    goal = replace(samples.LOST, readings=tuple(samples.closure(day, 2, 5) for day in days), met_run=None)
    labels = [one for one in drawn(goal).marks if isinstance(one, Text) and one.anchor == "middle"]
    assert 1 < len(labels) < len(days)
    assert all(b.x - a.x > 40 for a, b in pairwise(labels))


def test_one_visit_and_no_visit_are_drawn_or_left_out():
    single = replace(samples.LOST, readings=samples.READINGS[:1], regressed=None, met_run=None)
    assert "2/5" in texts(single)
    assert run_chart(samples.NEW) == ""


def test_only_gaps_are_still_a_chart():
    readings = (Reading(date(2026, 1, 5)), Reading(date(2026, 1, 12)))
    goal = replace(samples.LOST, readings=readings, regressed=None, met_run=None, due=None)
    assert texts(goal).count("not measured") == 2


def test_title_and_description_are_escaped_and_complete():
    root = ET.fromstring(run_chart(replace(samples.LOST, description="<script>&")))  # noqa: S314 - our own
    title = root.find("{http://www.w3.org/2000/svg}title")
    assert title is not None
    assert title.text == "<script>&: run chart"
    told = describe(samples.LOST)
    assert all(f"{reading.day.day} {reading.day:%b %Y}" in told for reading in samples.READINGS)
    assert "Higher is better." in told


def test_nothing_in_a_drawing_has_a_colour_of_its_own():
    assert not {"fill=", "stroke=", "style="} & set(svg(drawn(samples.LOST)).replace("<", " ").split())
    assert "#" not in svg(drawn(samples.LOST))


@pytest.mark.parametrize("goal", [samples.LOST, samples.EATING])
def test_the_same_content_is_drawn_once(goal, monkeypatch):
    first = run_chart(goal)
    monkeypatch.setattr(charts, "drawn", None)
    assert run_chart(goal) == first


def test_counts_of_visits_a_week_apart_do_not_run_into_each_other():
    readings = tuple(
        Reading(date(2026, 3, day), Fraction(100), Count(5, 5), at_target=True) for day in (6, 13, 20, 27)
    )
    later = Reading(date(2026, 7, 24), Fraction(100), Count(5, 5), at_target=True)
    counts = marks(replace(samples.LOST, readings=(*readings, later)), Text, "count")
    assert len(counts) == 5
    for earlier, later in pairwise((mark.x, mark.y) for mark in counts):
        assert later[0] - earlier[0] >= 28 or abs(later[1] - earlier[1]) >= 14
