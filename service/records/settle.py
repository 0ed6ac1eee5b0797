"""Statements about long-lived things are settled: the newest one wins.

Pure: trees in, new trees out. A goal shows its newest stated status; a plan that a later one replaces is
completed; an episode that a discharge visit belongs to is finished.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

from service.fhir.canonical import extension as own_extension
from service.records.decision import DECISIONS
from service.records.elements import day, extension, reference
from service.records.parts import identifiers, moment_of, target
from service.records.plan_chain import PlanSpan, chain, stated_end, stated_status
from service.records.stored import Resource, code_of, component, value_code

__all__ = [
    "Statement",
    "is_discharge",
    "settled_episode",
    "settled_goal",
    "settled_plans",
    "statement",
    "with_status",
]

_STATE = ("lifecycleStatus", "achievementStatus", "statusDate", "statusReason")
_GOAL_STATUS = "http://hl7.org/fhir/goal-status"
_ACHIEVEMENT = "http://terminology.hl7.org/CodeSystem/goal-achievement"
_KEPT = {"plan-stated-status", "plan-stated-end"}
_REPLACEABLE = {"active", "on-hold"}


@dataclass(frozen=True, slots=True)
class Statement:
    """What an Observation ``goal-stated-status`` says; parts it does not speak of are empty.

    ``decided``: a person said it apart from any visit.
    """

    goal: str
    moment: int
    date: str
    order: str
    lifecycle: str
    achievement: Any
    reason: str
    decided: bool = False


def statement(observation: Resource, goal: str, zone: ZoneInfo) -> Statement | None:
    """Read a statement about the goal named ``goal``; None if the Observation is none, or has no date."""
    when = observation.get("effectiveDateTime", "")
    if not when or code_of(observation.get("code")) != "goal-stated-status":
        return None
    return Statement(
        goal,
        moment_of(when, zone),
        when[:10],
        "|".join(one.get("value", "") for one in observation.get("identifier", [])),
        value_code(component(observation, "lifecycle-status"), _GOAL_STATUS),
        component(observation, "achievement-status").get("valueCodeableConcept"),
        component(observation, "status-reason").get("valueString", ""),
        any(system == DECISIONS for system, _ in identifiers(observation)),
    )


def _fold(statements: Sequence[Statement]) -> Resource:
    """The state that statements lead to, taken in time order."""
    state: Resource = {}
    for one in sorted(statements, key=lambda one: (one.moment, one.order)):
        if one.lifecycle:
            state["lifecycleStatus"] = one.lifecycle
        if one.achievement:
            state["achievementStatus"] = one.achievement
        state["statusDate"] = one.date
        state.pop("statusReason", None)
        if one.reason:
            state["statusReason"] = one.reason
    return state


def settled_goal(
    goal: Resource,
    after: Sequence[Statement],
    *,
    stored: Resource | None = None,
    before: Sequence[Statement] = (),
) -> Resource:
    """The goal with its newest status.

    ``after`` are the statements about it from now on, ``before`` those that led to ``stored``. A stored state
    that ``before`` does not explain was written over FHIR: it stays unless a newer statement has come.
    """
    if not after:
        return goal
    state = _fold(after)
    if stored is not None and before and not _says(stored, _fold(before)) and _stays(stored, after, before):
        state = {name: stored[name] for name in _STATE if name in stored}
    rest = {name: value for name, value in goal.items() if name not in _STATE}
    return {**rest, **state} if "lifecycleStatus" in state else goal


def _says(goal: Resource, state: Resource) -> bool:
    """Whether a goal is in a state; achievements are compared by code."""
    return all(
        code_of(goal.get(name), _ACHIEVEMENT) == code_of(state.get(name), _ACHIEVEMENT)
        if name == "achievementStatus"
        else goal.get(name) == state.get(name)
        for name in _STATE
    )


def _stays(stored: Resource, after: Sequence[Statement], before: Sequence[Statement]) -> bool:
    newest = max(after, key=lambda one: (one.moment, one.order))
    written = stored.get("statusDate", stored["meta"]["lastUpdated"])[:10]
    return bool(written > newest.date or (written == newest.date and newest in before))


def settled_plans(plans: Sequence[tuple[str, Resource]], zone: ZoneInfo) -> dict[str, Resource]:
    """Every home plan of a patient, given with the reference it is known by, as the chain leaves it."""
    known = {id(plan): name for name, plan in plans}
    spans = chain([plan for _, plan in plans], zone)
    names = [known[id(span.resource)] for span in spans]
    return {
        name: _settled_plan(span, names[number - 1] if number else "", last=number == len(spans) - 1)
        for number, (name, span) in enumerate(zip(names, spans, strict=True))
    }


def _settled_plan(span: PlanSpan, before: str, *, last: bool) -> Resource:
    status, end = stated_status(span.resource), stated_end(span.resource)
    replaced = not last and status in _REPLACEABLE
    dropped = {own_extension(name) for name in _KEPT}
    plan = {name: value for name, value in span.resource.items() if name not in ("replaces", "extension")}
    extensions = [one for one in span.resource.get("extension", []) if one["url"] not in dropped]
    if replaced:
        extensions.append(extension("plan-stated-status", {"valueCode": status}))
        extensions += [extension("plan-stated-end", {"valueDate": day(end)})] if end else []
        end = span.end
    plan["status"] = "completed" if replaced else status
    plan["period"] = {"start": day(span.start), **({"end": day(end)} if end else {})}
    if extensions:
        plan["extension"] = extensions
    if before:
        plan["replaces"] = [reference(before)]
    return plan


def settled_episode(episode: Resource, discharges: Sequence[Resource]) -> Resource:
    """The episode, finished by the last of the discharge visits that belong to it; active without any."""
    days = [one["period"]["start"][:10] for one in discharges]
    period = {name: value for name, value in episode["period"].items() if name != "end"}
    if not days:
        return {**episode, "status": "active", "period": period}
    return {**episode, "status": "finished", "period": {**period, "end": max(days)}}


def with_status(request: Resource, plan: Resource) -> Resource:
    """A plan's line, in its plan's status."""
    return {**request, "status": plan["status"]}


def is_discharge(encounter: Resource, episode: str) -> bool:
    """Whether a visit ended the episode behind the reference ``episode``."""
    return any(code_of(one) == "discharge" for one in encounter.get("type", [])) and any(
        target(one) == episode for one in encounter.get("episodeOfCare", [])
    )
