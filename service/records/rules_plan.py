"""Rules on the home plan: the dose of each exercise, what it is practised with, dates, stop rules.

Range of published doses: Krekeler, Rowe, Connor 2021 (1-120 repetitions a day). Tongue-hold swallow never
with food: Fujiu & Logemann 1996.
"""

from service.records.case import Case
from service.records.protocols import manoeuvres
from service.records.report import Report
from service.records.visit import HomePlan, PlanLine

__all__ = ["check_plan"]

_MANY_REPETITIONS = 200


def check_plan(case: Case, report: Report) -> None:
    """The plan as a whole and each of its lines."""
    plan = case.record.home_plan
    if plan is None:
        return
    below = report.below("home_plan")
    _dates(plan, below)
    if plan.status == "on-hold" and plan.status_reason is None:
        below.error("status_reason", "Give the reason for 'on-hold'.", "plan-status-reason")
    if plan.stop_rules is None:
        below.error("stop_rules", "Record that stop rules were explained.", "stop-rules")
    seen: set[str] = set()
    for number, line in enumerate(plan.lines):
        row = below.below("lines", number)
        if line.exercise is not None and line.exercise in seen:
            row.error("exercise", f"Exercise '{line.exercise}' is listed twice.", "exercise-unique")
        seen.add(line.exercise)
        _line(case, plan, line, row)


def _dates(plan: HomePlan, report: Report) -> None:
    if plan.review is None:
        report.error("review", "Give the date on which the plan is reviewed.", "plan-dates")
    if plan.end is None:
        report.error("end", "Give the date on which the plan ends.", "plan-dates")
        return
    if plan.start is not None and plan.end < plan.start:
        report.error("end", f"Plan end {plan.end} is before its start ({plan.start}).", "plan-dates")
    if plan.review is not None and plan.review > plan.end:
        report.error(
            "review", f"Review date {plan.review} is after the plan ends ({plan.end}).", "plan-dates"
        )


def _line(case: Case, plan: HomePlan, line: PlanLine, report: Report) -> None:
    if line.effort is None and line.percent_of_maximum is None:
        message = "Give the effort (light, medium, strong), a percentage of own maximum, or 'not applicable'."
        report.error("effort", message, "plan-effort")
    if plan.status == "active" and case.is_above_limit(line.effort):
        message = f"Effort '{line.effort}' is above the cleared limit '{case.effort_limit}'."
        report.error("effort", message, "effort-limit")
    if (
        None not in (line.sets, line.repetitions, line.sessions_per_day)
        and line.daily_repetitions > _MANY_REPETITIONS
    ):
        daily = line.daily_repetitions
        message = f"{daily} repetitions a day is above the 1-120 range found in a published review."
        report.warn("repetitions", message, "dose-high")
    _practised_with(case, plan, line, report)
    _goals(case, line, report)


def _practised_with(case: Case, plan: HomePlan, line: PlanLine, report: Report) -> None:
    manoeuvre = manoeuvres().get(line.manoeuvre)
    if manoeuvre is not None and manoeuvre.saliva_only and line.practised_with not in (None, "saliva"):
        message = f"The {line.manoeuvre} is practised with saliva only, never with food or drink."
        report.error("practised_with", message, "saliva-only")
    if not isinstance(line.practised_with, int):
        return
    on_file = next((old.cleared_levels for old in reversed(case.context.plans) if old.cleared_levels), None)
    cleared = plan.cleared_levels if plan.cleared_levels is not None else on_file
    if line.practised_with not in (cleared or ()):
        message = f"IDDSI level {line.practised_with} is not on this patient's cleared list."
        report.error("practised_with", message, "cleared-level")


def _goals(case: Case, line: PlanLine, report: Report) -> None:
    known = {goal.key for goal in case.record.goals} | set(case.context.goals)
    for number, key in enumerate(line.goals):
        if key not in known:
            report.error(("goals", number), f"Goal '{key}' is not among this person's goals.", "goal-known")
