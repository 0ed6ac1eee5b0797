"""A person's progress on one sheet of paper: numbers, intervals, cautions, who made it and by which engine.

Tagged PDF (PDF/UA-1) made by typst; the same content gives the same bytes. Texts travel as data, never as
markup. A letter no font of this machine has would fail the standard; then the sheet is made without it.
"""

import json
from collections.abc import Iterable
from datetime import date
from functools import cache
from importlib.resources import files
from typing import Any

import typst

from service.page import cautions, words
from service.page.drawing import svg
from service.page.patient_view import PatientView
from service.page.run_chart import run_chart
from service.page.view_model import Banner, GoalView

__all__ = ["GOAL_COLUMNS", "goal_row", "summary_pdf"]

GOAL_COLUMNS = ("Goal", "Baseline", "Latest", "Target and progress", "Due", "Computed", "Stated")
MOST_CHARTS = 4
STYLE = (
    'text{font-family:"Libertinus Serif";font-size:14px;paint-order:stroke;stroke:#fff;stroke-width:3px;'
    "stroke-linejoin:round}polyline,path{fill:none}.grid{stroke:#bbb}"
    ".axis,.whisker{stroke:#444;stroke-width:1.4}.run,.bracket{stroke:#000;stroke-width:2}"
    ".point{fill:#fff;stroke:#000;stroke-width:2}.met{fill:#000}.gap{stroke:#000;stroke-width:2}"
    ".goal{stroke:#333;stroke-width:1.6;stroke-dasharray:7 4}.goal-label{font-weight:bold}"
    ".event{stroke:#444;stroke-width:1.4;stroke-dasharray:2 3}.held{fill:#ddd}"
)


def summary_pdf(view: PatientView, *, author: str, made: date) -> bytes:
    """Make the sheet of a person's page; ``author`` is who asked for it, on the day ``made``."""
    data = json.dumps(_content(view, author, made), ensure_ascii=False)
    try:
        return _compiled(data, "ua-1")
    except typst.TypstError:
        return _compiled(data, None)


def _compiled(data: str, standard: Any) -> bytes:
    sheet: Any = typst.compile(
        _template(), font_paths=_fonts(), format="pdf", sys_inputs={"data": data}, pdf_standards=standard
    )
    return bytes(sheet)


@cache
def _template() -> bytes:
    return (files("service.page") / "paper" / "summary.typ").read_bytes()


@cache
def _fonts() -> typst.Fonts:
    """Looked up once: the ones that come along first, then the machine's for other scripts."""
    return typst.Fonts()


def _content(view: PatientView, author: str, made: date) -> dict[str, Any]:
    drawn = [goal for goal in view.goals if goal.readings][:MOST_CHARTS]
    invented = ", test data, an invented person" if view.banner.invented else ""
    return {
        "title": f"Progress summary: {view.banner.name}",
        "author": author,
        "subtitle": f"As of {words.day(view.day)}" + invented,
        "footer": f"Made for {author} on {words.day(made)}; engine version {view.engine}",
        "facts": [*_facts(view.banner, view.review), *([("Care ended", view.ended)] if view.ended else [])],
        "cues": [words.dated(cue.sentence) for cue in view.cues],
        "caution": view.cue_caution,
        "goal_columns": GOAL_COLUMNS,
        "goals": [goal_row(goal) for goal in view.goals],
        "differ": [f"{goal.description}: {said}" for goal in view.goals if (said := words.differ(goal))],
        "charts": [_chart(goal) for goal in drawn],
        "beside": list(_beside(view)),
        "cautions": [*(f"{name}. {said}" for name, said in view.cautions), *cautions.EVERYWHERE],
    }


def _facts(banner: Banner, review: str) -> Iterable[tuple[str, str]]:
    age = "not recorded" if banner.age is None else str(banner.age)
    flags = "not asked" if banner.red_flags is None else "; ".join(banner.red_flags) or "none reported"
    limit = f", effort limit {banner.effort_limit}" if banner.effort_limit else ""
    intake = "not recorded" if banner.oral_intake is None else f"level {banner.oral_intake} of 7"
    since = words.days_since(banner.days_since_visit)
    yield "Age", f"{age}, born {banner.born}" if banner.born else age
    yield "Condition", "; ".join(banner.conditions) or "not recorded"
    yield "Oral intake", intake
    yield "Diet and tube", banner.diet or "not recorded"
    yield "Breath-hold", (banner.clearance or "no clearance recorded") + limit
    yield "Red flags", flags
    yield "Last visit", ", ".join(filter(None, (words.day(banner.last_visit), since)))
    yield "Next review", review


def goal_row(goal: GoalView) -> tuple[str, ...]:
    """A goal's cells, in the order of ``GOAL_COLUMNS``."""
    baseline, latest = goal.baseline, goal.latest
    first = last = "not measured"
    if baseline is not None:
        first = _joined(
            words.value(goal.measure, baseline.value), words.count(baseline.trials), words.day(baseline.day)
        )
    if latest is not None:
        interval = words.interval(latest, goal.measure)
        last = _joined(
            words.value(goal.measure, latest.value),
            words.count(latest.trials),
            words.day(latest.day),
            f"95 % interval {interval}" if interval else "",
        )
    held = f", goal is {goal.lifecycle.replace('-', ' ')}" if goal.lifecycle not in ("", "active") else ""
    stated = (words.status(goal.stated) if goal.stated else "none stated") + held
    return (
        goal.description,
        first,
        last,
        words.criterion(goal),
        words.due(goal),
        words.status(goal.computed),
        stated,
    )


def _joined(*parts: str) -> str:
    return ", ".join(filter(None, parts))


def _chart(goal: GoalView) -> dict[str, str]:
    drawing = run_chart(goal)
    return {
        "svg": str(svg(drawing, STYLE)),
        "alt": f"{drawing.name}. {drawing.description}",
        "caption": f"{goal.description} ({words.direction(goal.measure)})",
    }


def _beside(view: PatientView) -> Iterable[tuple[str, str]]:
    for score in view.scores:
        moved = f"; {score.reliable_change}" if score.reliable_change else ""
        yield score.description, f"{_series(score)}{moved}"
    if view.judgement:
        yield (
            "Own judgement",
            "; ".join(f"{name.lower()} {text}" for name, text in view.judgement.numbers[:3]),
        )
    if view.plan:
        lines = (f"{row.name}: {row.dose}; {row.how}" for row in view.plan.exercises)
        # why a plan is on hold is long: as a name it would leave what was found no room
        yield "Home plan", f"{view.plan.when}. {'. '.join(lines) or 'No exercise on file'}"
    if view.practice:
        row = view.practice.everything
        yield "Home practice", f"{row.readings}; {row.total} repetitions; {row.days}"
    if view.studies:
        newest = view.studies[0]
        yield (
            f"Swallow study {words.day(newest.day)}",
            f"{newest.how}; {newest.counts} ({words.score_groups()})",
        )
    for one in view.excluded:
        yield "Excluded visit", f"{words.day(one.day)}: {one.reason or 'no reason given'}; counts nowhere"
    if view.scaling:
        yield "Goal attainment scaling", view.scaling


def _series(score: GoalView) -> str:
    first, last = score.readings[0], score.readings[-1]
    told = f"{words.value(score.measure, last.value)} on {words.day(last.day)}"
    if first is last:
        return told
    return f"{words.value(score.measure, first.value)} on {words.day(first.day)}, {told}"
