"""The goal table: one line per goal, from the same answer as the API and the page."""

from collections.abc import Iterable, Sequence

from service.attainment.answers import GoalAnswer, PatientAnswer, Stated
from service.attainment.criterion import Criterion
from service.attainment.goals import Value
from service.attainment.measures import MEASURES, SHARES

__all__ = ["aligned", "goal_rows", "rendered"]

HEADINGS = (
    "name",
    "goal",
    "baseline",
    "latest (95 %)",
    "computed",
    "stated",
    "attained",
    "regressed",
    "why",
    "as of",
)


def goal_rows(name: str, answer: PatientAnswer) -> list[tuple[str, ...]]:
    """One row per goal of a person, in the order of HEADINGS."""
    return [
        (
            name,
            _goal(goal),
            _value(goal.measure, goal.status.baseline),
            _latest(goal),
            goal.status.code or "not yet measured",
            _stated(goal.stated),
            str(goal.status.progress.attained or "-"),
            str(goal.status.progress.regressed or "-"),
            goal.status.reason,
            str(answer.as_of),
        )
        for goal in answer.goals
    ]


def rendered(rows: Iterable[Sequence[str]]) -> str:
    """Rows under their headings, columns aligned."""
    return aligned([HEADINGS, *rows])


def aligned(table: Sequence[Sequence[str]]) -> str:
    """A table as text; its first row holds the headings."""
    widths = [max(len(row[column]) for row in table) for column in range(len(table[0]))]
    lines = [
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
        for row in table
    ]
    return "\n".join([lines[0], "  ".join("-" * width for width in widths), *lines[1:]])


def _stated(stated: Stated) -> str:
    """What people stated: the achievement, and the lifecycle where it is not simply active."""
    lifecycle = "" if stated.lifecycle == "active" else stated.lifecycle
    return ", ".join(filter(None, (stated.achievement, lifecycle))) or "nothing"


def _goal(goal: GoalAnswer) -> str:
    target = goal.status.goal.targets[0]
    sign = {(True, False): ">=", (True, True): ">", (False, False): "<=", (False, True): "<"}[
        target.higher_is_better, target.strict
    ]
    unit = " %" if MEASURES[goal.measure].unit == "%" else ""
    often = _often(goal.status.goal.criterion)
    return f"{goal.measure.replace('-', ' ')} {sign} {float(target.value):g}{unit}{often}"


def _often(criterion: Criterion) -> str:
    parts = [
        f" on {criterion.visits} of {criterion.of} visits" if criterion.of else "",
        f" on {criterion.visits} visits" if criterion.visits > 1 and not criterion.of else "",
        f" in {criterion.weeks} weeks" if criterion.weeks > 1 else "",
        " without cues" if criterion.without_cues else "",
    ]
    return "".join(parts)


def _value(measure: str, value: Value | None) -> str:
    if value is None:
        return "-"
    if measure in SHARES and value.k is not None:
        return f"{value.k}/{value.n}"
    return f"{float(value.value):g}"


def _latest(goal: GoalAnswer) -> str:
    text = _value(goal.measure, goal.status.latest)
    if goal.interval is None:
        return text
    return f"{text} ({float(goal.interval.low):.1f}-{float(goal.interval.high):.1f})"
