"""Rules on the home-practice log. 0 is a value; a day that is absent was not logged."""

from collections.abc import Sequence
from datetime import date

from service.records.case import Case
from service.records.context import PlanLineOnFile, PlanOnFile
from service.records.protocols import stop_symptoms
from service.records.report import Report
from service.records.visit import HomePlan, Practice, PracticeDay

__all__ = ["check_practice"]

_MOST_REPETITIONS = 500


def check_practice(case: Case, report: Report) -> None:
    """The log's period, and each day against the plan in force on it."""
    practice = case.record.practice
    if practice is None:
        return
    below = report.below("practice")
    _period(case, practice, below)
    if practice.returned == "no" and practice.days:
        below.error("returned", "The log is marked as not returned, yet holds days.", "log-returned")
    if practice.returned == "yes" and practice.entered_by is None:
        message = "Say who entered the log: patient, carer or clinician from diary."
        below.error("entered_by", message, "log-author")
    plans = [*case.context.plans, *_own_plan(case.record.home_plan)]
    seen: set[tuple[date, str]] = set()
    for number, day in enumerate(practice.days):
        row = below.below("days", number)
        if day.day is not None and (day.day, day.exercise) in seen:
            row.error("day", f"{day.day} is listed twice for this exercise.", "log-day-unique")
        seen.add((day.day, day.exercise))
        _day(case, practice, day, row)
        _against_plan(case, plans, day, row)


def _own_plan(plan: HomePlan | None) -> Sequence[PlanOnFile]:
    """The record's own plan in the form plans on file have."""
    if plan is None or plan.start is None:
        return ()
    complete = [
        line for line in plan.lines if None not in (line.sets, line.repetitions, line.sessions_per_day)
    ]
    lines = tuple(PlanLineOnFile(line.exercise, line.daily_repetitions) for line in complete)
    return (PlanOnFile(plan.start, plan.end, lines),)


def _period(case: Case, practice: Practice, report: Report) -> None:
    if practice.start is not None and practice.end is not None and practice.end < practice.start:
        report.error("end", f"Log end {practice.end} is before its start ({practice.start}).", "log-period")
    if practice.end is not None and practice.end > case.today:
        report.error("end", f"Log end {practice.end} is in the future.", "log-period")


def _day(case: Case, practice: Practice, day: PracticeDay, report: Report) -> None:
    if day.repetitions is not None and day.repetitions < 0:
        report.error("repetitions", "Repetitions cannot be below 0.", "repetitions-range")
    elif day.repetitions is not None and day.repetitions > _MOST_REPETITIONS:
        report.error("repetitions", f"Repetitions {day.repetitions} is outside 0-500.", "repetitions-range")
    for number, symptom in enumerate(day.symptoms):
        if symptom.lower() in stop_symptoms():
            message = f"'{symptom}' is on the stop list; practice stops and the clinician is told."
            report.warn(("symptoms", number), message, "stop-symptom")
    if day.day is None:
        return
    if day.day > case.today:
        report.error("day", f"Practice day {day.day} is in the future.", "log-day-past")
    elif None not in (practice.start, practice.end) and not practice.start <= day.day <= practice.end:
        message = f"Practice day {day.day} is outside the log ({practice.start} to {practice.end})."
        report.error("day", message, "log-day-in-log")


def _against_plan(case: Case, plans: list[PlanOnFile], day: PracticeDay, report: Report) -> None:
    if day.day is None or day.day > case.today:
        return
    covering = [plan for plan in plans if plan.covers(day.day)]
    if plans and not covering:
        newest = plans[-1]
        end = newest.end if newest.end is not None else "no end"
        message = f"Practice day {day.day} is outside the plan ({newest.start} to {end})."
        report.error("day", message, "log-day-in-plan")
        return
    prescribed = [line for plan in covering for line in plan.lines if line.exercise == day.exercise]
    if day.exercise is not None and not prescribed:
        report.error("exercise", "This exercise is not in the current plan.", "log-exercise")
    planned = max((line.daily_repetitions for line in prescribed), default=None)
    if planned is not None and day.repetitions is not None and day.repetitions > 3 * planned:
        message = "More than three times the planned dose; check, and tell the clinician."
        report.warn("repetitions", message, "dose-exceeded")
