"""Home practice: a calendar of days, and what each log says in both readings of missing days."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from fractions import Fraction

from service.attainment.answers import PatientAnswer, PracticeAnswer
from service.attainment.dose import Adherence
from service.page import words
from service.page.drawing import Box, Drawing, Line, Mark, Text

__all__ = ["LogRow", "PracticeView", "calendar_drawing", "practice_view"]

WEEKS = 30
LEFT, TOP, CELL, GAP = 42, 26, 17, 2
DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")


@dataclass(frozen=True, slots=True)
class Day:
    """One prescribed day: the share done, 0 to 1; None without a log."""

    day: date
    share: Fraction | None


@dataclass(frozen=True, slots=True)
class LogRow:
    """One log, or all of them: both readings, the total in repetitions, days with a log and in full."""

    name: str
    readings: str
    total: str
    days: str


@dataclass(frozen=True, slots=True)
class PracticeView:
    """The newest thirty weeks of days, every log, and all logs together."""

    days: tuple[Day, ...]
    logs: tuple[LogRow, ...]
    everything: LogRow


def practice_view(answer: PatientAnswer) -> PracticeView | None:
    """The view; None without any log."""
    if not answer.practice:
        return None
    found = {
        one.day: Day(one.day, None if one.done is None else min(one.done / one.prescribed, Fraction(1)))
        for practice in answer.practice
        for one in practice.calendar
        if one.prescribed > 0
    }
    days = [found[day] for day in sorted(found)]
    last = days[-1].day if days else answer.as_of
    kept = tuple(day for day in days if day.day > last - timedelta(weeks=WEEKS))
    return PracticeView(
        kept, tuple(map(_row, answer.practice)), _numbers("all logs", answer.practice_all, "")
    )


def _row(practice: PracticeAnswer) -> LogRow:
    log = practice.log
    name = f"{words.day(log.start)} to {words.day(log.end)}"
    return _numbers(name, practice.adherence, "" if log.returned else "log not returned")


def _numbers(name: str, found: Adherence, instead: str) -> LogRow:
    logged = instead or words.percent(found.of_logged_days, " of logged days") or found.reason
    zero = words.percent(found.unlogged_as_zero, " counting unlogged days as zero")
    return LogRow(
        name,
        "; ".join(filter(None, (logged, zero))),
        f"{float(found.done):g} of {float(found.prescribed):g}",
        f"{found.logged_days} of {found.days} days with a log, {found.full_dose_days} in full",
    )


def calendar_drawing(view: PracticeView) -> Drawing:
    """A column per week, a cell per prescribed day: filled by the share done, hatched without log."""
    monday = _monday(view.days[0].day)
    weeks = (_monday(view.days[-1].day) - monday).days // 7 + 1
    step = CELL + GAP
    marks: list[Mark] = [
        Text("tick", LEFT - 6, TOP + row * step + 13, name, "end")
        for row, name in enumerate(DAYS)
        if not row % 2
    ]
    marks += _months(monday, weeks, step)
    for one in view.days:
        column, row = (one.day - monday).days // 7, one.day.weekday()
        marks += _cell(one, LEFT + column * step, TOP + row * step)
    return Drawing(
        "Home practice, day by day",
        _told(view.days),
        LEFT + weeks * step + 10,
        TOP + 7 * step + 4,
        tuple(marks),
    )


def _cell(one: Day, x: float, y: float) -> list[Mark]:
    frame = Box("cell", x, y, CELL, CELL)
    if one.share is None:
        slanted = [((x, y + CELL - at), (x + CELL - at, y)) for at in (0, 6, 12)]
        below = [((x + at, y + CELL), (x + CELL, y + at)) for at in (6, 12)]
        return [frame, *(Line("hatch", ends) for ends in (*slanted, *below))]
    height = float(one.share) * CELL
    return [frame, Box("bar", x, y + CELL - height, CELL, height)] if height else [frame]


def _months(monday: date, weeks: int, step: int) -> list[Mark]:
    """The name of a month over the first week that begins in it."""
    marks: list[Mark] = []
    before = None
    for week in range(weeks):
        day = monday + timedelta(weeks=week)
        if day.month != before and (before is None or week):
            marks.append(Text("tick", LEFT + week * step, TOP - 8, f"{day:%b}"))
        before = day.month
    return marks


def _told(days: Sequence[Day]) -> str:
    unlogged = sum(one.share is None for one in days)
    full = sum(one.share == 1 for one in days)
    return (
        f"{len(days)} prescribed days from {words.day(days[0].day)} to {words.day(days[-1].day)}: "
        f"{full} in full, {len(days) - full - unlogged} in part or not at all, {unlogged} without a log."
    )


def _monday(day: date) -> date:
    return day - timedelta(days=day.weekday())
