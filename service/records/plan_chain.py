"""Home plans in time order: each is in force until the day before the next one starts.

What a plan itself says about its status and end is kept in two extensions once a later plan has completed
it, so that it comes back when the later plan is taken away.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from zoneinfo import ZoneInfo

from service.records.parts import day_of, extension_value, moment_of
from service.records.stored import Resource, code_of

__all__ = ["PlanSpan", "chain", "stated_end", "stated_status"]


@dataclass(frozen=True, slots=True)
class PlanSpan:
    """A plan and the days it is in force, both inclusive; ``end`` None where nothing ends it."""

    resource: Resource
    start: date
    end: date | None


def stated_status(plan: Resource) -> str:
    """The status the plan's own record gave it."""
    return str(extension_value(plan, "plan-stated-status") or plan["status"])


def stated_end(plan: Resource) -> date | None:
    """The end the plan's own record gave it."""
    if extension_value(plan, "plan-stated-status") is None:
        return day_of(plan.get("period", {}).get("end", ""))
    return day_of(extension_value(plan, "plan-stated-end") or "")


def chain(plans: Sequence[Resource], zone: ZoneInfo) -> list[PlanSpan]:
    """Home-exercise plans by start, then by when they were made; plans of other kinds are left out."""
    dated = [
        (start, moment_of(plan["created"], zone), plan)
        for plan in plans
        if (start := day_of(plan.get("period", {}).get("start", "")))
        and "created" in plan
        and any(code_of(one) == "home-exercise-plan" for one in plan.get("category", []))
    ]
    ordered = sorted(dated, key=lambda one: one[:2])
    following = [start for start, _, _ in ordered[1:]]
    spans = []
    for number, (start, _, plan) in enumerate(ordered):
        end = stated_end(plan)
        if number < len(following):
            replaced = start if following[number] == start else following[number] - timedelta(days=1)
            end = min(end, replaced) if end else replaced
        spans.append(PlanSpan(plan, start, end))
    return spans
