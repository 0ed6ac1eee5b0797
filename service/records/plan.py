"""The home-exercise plan: CarePlan with one ServiceRequest per exercise."""

from service.records.draft import PFE, US_CORE, Draft
from service.records.elements import (
    Element,
    coded,
    day,
    extension,
    flag,
    measured,
    moment,
    present,
    quantity,
    reference,
    text,
)
from service.records.narrative import narrative
from service.records.visit import HomePlan, Meals, PlanLine, StopRules

__all__ = ["add_plan"]

_GOAL_LINK = "http://hl7.org/fhir/StructureDefinition/resource-pertainsToGoal"
_CAREPLAN_CATEGORY = "http://hl7.org/fhir/us/core/CodeSystem/careplan-category"


def add_plan(draft: Draft, plan: HomePlan, goals: dict[str, str]) -> str:
    """The plan and its lines; ``goals`` are references by key. Answers the CarePlan's fullUrl."""
    lines = [_add_line(draft, plan, line, goals) for line in plan.lines]
    wanted = dict.fromkeys(goals[key] for line in plan.lines for key in line.goals if key in goals)
    assess = draft.codes.coding(_CAREPLAN_CATEGORY, "assess-plan")
    doses = [(line.exercise, _dose(line)) for line in plan.lines]
    body = {
        "text": narrative("Home exercise plan", [("From", day(plan.start)), *doses]),
        **present(extension=_extensions(plan)),
        "status": plan.status,
        "intent": "plan",
        "category": [{"coding": [assess]}, draft.codes.concept("home-exercise-plan")],
        "title": "Home exercise plan",
        "subject": draft.subject(),
        "encounter": reference(draft.encounter),
        "period": present(start=day(plan.start), end=day(plan.end) if plan.end else None),
        "created": moment(draft.start),
        "author": reference(draft.clinician()),
        **present(
            addresses=[reference(one) for one in draft.conditions],
            goal=[reference(one) for one in wanted],
        ),
        "activity": [{"reference": reference(line)} for line in lines],
    }
    return draft.add("CarePlan", "home-plan", body, profile=f"{US_CORE}us-core-careplan")


def _extensions(plan: HomePlan) -> list[Element]:
    found = [extension("plan-cleared-level", {"valueInteger": level}) for level in plan.cleared_levels or ()]
    if plan.review:
        found.append(extension("plan-review", {"valueDate": day(plan.review)}))
    if plan.status_reason:
        found.append(extension("plan-status-reason", text(plan.status_reason)))
    if plan.stop_rules:
        found.append(extension("plan-stop-rules", _stop_rules(plan.stop_rules)))
    return found


def _stop_rules(rules: StopRules) -> list[Element]:
    return [
        {"url": "text", **text(rules.text)},
        {"url": "date", "valueDate": day(rules.date)},
        {"url": "teachBack", **flag(rules.teach_back == "yes")},
    ]


def _add_line(draft: Draft, plan: HomePlan, line: PlanLine, goals: dict[str, str]) -> str:
    code = draft.codes.exercise(line.manoeuvre)
    links = [
        {"url": _GOAL_LINK, "valueReference": reference(goals[key])} for key in line.goals if key in goals
    ]
    body = {
        "text": narrative(code["text"], [("Exercise", line.exercise), ("Dose", _dose(line))]),
        "extension": [*_dose_extensions(draft, line), *links],
        "basedOn": [reference(draft.url("home-plan"))],
        "status": plan.status,
        "intent": "order",
        "code": code,
        "quantityQuantity": quantity(line.repetitions, "1", "repetitions"),
        "subject": draft.subject(),
        "encounter": reference(draft.encounter),
        "occurrenceTiming": {"repeat": _repeat(line)},
        "authoredOn": moment(draft.start),
        "requester": reference(draft.clinician()),
        **present(reasonReference=[reference(one) for one in draft.conditions]),
    }
    return draft.add(
        "ServiceRequest", f"home-plan/{line.exercise}", body, profile=f"{PFE}pfe-service-request"
    )


def _dose(line: PlanLine) -> str:
    return (
        f"{line.sets} x {line.repetitions} repetitions, {line.sessions_per_day} a day, "
        f"{line.days_per_week} days a week, {line.weeks} weeks"
    )


def _repeat(line: PlanLine) -> Element:
    """How often. R4 can't say "n times on m days of the week" without naming the days: then n x m a week."""
    bounds = {"boundsDuration": quantity(line.weeks, "wk")}
    if line.days_per_week == 7:
        return {**bounds, "frequency": line.sessions_per_day, "period": 1, "periodUnit": "d"}
    return {
        **bounds,
        "frequency": line.sessions_per_day * line.days_per_week,
        "period": 1,
        "periodUnit": "wk",
    }


def _dose_extensions(draft: Draft, line: PlanLine) -> list[Element]:
    counts = [
        ("sets", line.sets),
        ("sessions-per-day", line.sessions_per_day),
        ("days-per-week", line.days_per_week),
    ]
    found = [extension(f"exercise-{name}", {"valuePositiveInt": number}) for name, number in counts]
    if line.hold_s is not None:
        found.append(extension("exercise-hold", measured(line.hold_s, "s")))
    if line.effort:
        found.append(extension("exercise-effort", coded(draft.codes.answer(line.effort))))
    if line.percent_of_maximum is not None:
        found.append(extension("exercise-percent-of-maximum", measured(line.percent_of_maximum, "%")))
    with_ = line.practised_with
    said = with_ if isinstance(with_, str) else f"iddsi {with_}"
    found.append(extension("exercise-practised-with", coded(draft.codes.answer(said))))
    return found + (
        [extension("exercise-meals", parts)] if line.meals and (parts := _meals(line.meals)) else []
    )


def _meals(meals: Meals) -> list[Element]:
    parts = [{"url": "timing", "valueCode": when} for when in meals.timing]
    parts += [{"url": "phase", **text(phase)} for phase in meals.phases]
    if meals.cough_after:
        parts.append({"url": "coughAfter", **flag(meals.cough_after == "yes")})
    return parts
