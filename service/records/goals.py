"""Goals set at a visit, and what was stated about goals on file."""

from decimal import Decimal

from service.records.draft import HL7, PFE, Draft
from service.records.elements import (
    Element,
    day,
    extension,
    moment,
    present,
    quantity,
    reference,
    text,
    whole,
)
from service.records.goal_statement import statement_components
from service.records.narrative import narrative
from service.records.visit import Goal, GoalBaseline, GoalReview, GoalTarget, Scaling
from service.terminology.codes import OBSERVATION, slug

__all__ = ["UNITS", "add_goal", "add_review"]

UNITS = {
    "closure accuracy": "%",
    "judgement agreement": "%",
    "judgement bias": "1",
    "hold time": "s",
    "oral intake level": "{score}",
    "eat10 total": "{score}",
    "practice adherence": "%",
    "airway entry group": "{score}",
}
"""UCUM unit of each goal measure."""
_LOWER_IS_BETTER = {"judgement bias", "eat10 total", "airway entry group"}
_ACHIEVEMENT = f"{HL7}goal-achievement"
_GOAL_STATUS = "http://hl7.org/fhir/goal-status"


def add_goal(draft: Draft, goal: Goal) -> str:
    """The goal, its baseline and the first statement of its status; answers the Goal's fullUrl."""
    path = f"goals/{goal.key}"
    url = draft.url(path)
    baseline = _add_baseline(draft, goal, goal.baseline, url) if goal.baseline else ""
    stated = goal.status_date or draft.start.date()
    body = {
        "text": narrative(goal.description, [("Measure", _said(target)) for target in goal.targets]),
        "extension": [
            extension("goal-criterion", _criterion(goal)),
            *_marks(goal),
            *([extension("goal-baseline", {"valueReference": reference(baseline)})] if baseline else []),
            *(_scaling(goal.scaling) if goal.scaling else []),
        ],
        "lifecycleStatus": goal.lifecycle_status,
        **present(achievementStatus=_listed(draft, _ACHIEVEMENT, goal.achievement_status)),
        "description": {"text": goal.description},
        "subject": draft.subject(),
        "startDate": day(goal.start),
        "target": [_target(draft, goal, target) for target in goal.targets],
        "statusDate": day(stated),
        **present(
            statusReason=goal.status_reason,
            expressedBy=_expressed_by(draft, goal.expressed_by),
            addresses=[reference(one) for one in draft.conditions],
        ),
    }
    draft.add("Goal", path, body, profile=f"{PFE}pfe-goal")
    when = day(goal.status_date) if goal.status_date else moment(draft.start)
    own = (goal.lifecycle_status, goal.achievement_status, goal.status_reason)
    _add_statement(draft, f"{path}/statement", url, own, when)
    return url


def _add_baseline(draft: Draft, goal: Goal, baseline: GoalBaseline, url: str) -> str:
    unit = UNITS[goal.targets[0].measure]
    return draft.observe(
        f"goals/{goal.key}/baseline",
        "goal-baseline",
        ("exam",),
        {"valueQuantity": quantity(baseline.value, unit)},
        components=draft.component("trials-scored", None if baseline.n is None else whole(baseline.n)),
        effective=day(baseline.date),
        focus=[url],
    )


def _criterion(goal: Goal) -> list[Element]:
    criterion = goal.criterion
    parts: list[Element] = [
        {"url": "visits", "valuePositiveInt": criterion.visits},
        {"url": "minTrials", "valuePositiveInt": criterion.min_trials},
        {"url": "dips", "valuePositiveInt": criterion.dips},
    ]
    if criterion.of_visits is not None:
        parts.append({"url": "ofVisits", "valuePositiveInt": criterion.of_visits})
    if criterion.weeks > 1:
        parts.append({"url": "weeks", "valuePositiveInt": criterion.weeks})
    if criterion.without_cues:
        parts.append({"url": "withoutCues", "valueBoolean": True})
    return parts + ([{"url": "step", "valueDecimal": criterion.step}] if criterion.step is not None else [])


def _marks(goal: Goal) -> list[Element]:
    weights = [("goal-importance", goal.importance), ("goal-difficulty", goal.difficulty)]
    found = [extension(name, whole(value)) for name, value in weights if value is not None]
    return found + (
        [extension("goal-purpose", {"valueCode": "maintain"})] if goal.purpose == "maintain" else []
    )


def _scaling(scaling: Scaling) -> list[Element]:
    ranges = scaling.ranges or {}
    levels = [
        extension(
            "goal-scaling-level",
            [
                {"url": "level", "valueInteger": int(level)},
                {"url": "statement", **text(statement)},
                *_range(ranges.get(level)),
            ],
        )
        for level, statement in sorted(scaling.statements.items(), key=lambda item: int(item[0]))
    ]
    return [*levels, extension("goal-scaling-baseline", whole(scaling.baseline_level))]


def _range(bounds: tuple[Decimal, Decimal] | None) -> list[Element]:
    names = ("low", "high")
    return [{"url": name, "valueDecimal": value} for name, value in zip(names, bounds or (), strict=False)]


def _target(draft: Draft, goal: Goal, target: GoalTarget) -> Element:
    kind = target.consistency
    return {
        **present(
            extension=[] if kind is None else [extension("goal-target-consistency", {"valueInteger": kind})]
        ),
        "measure": draft.codes.concept(slug(target.measure), system=OBSERVATION),
        "detailQuantity": {
            "value": target.value,
            "comparator": _comparator(target),
            **{name: value for name, value in quantity(0, UNITS[target.measure]).items() if name != "value"},
        },
        **present(dueDate=day(goal.due) if goal.due else None),
    }


def _comparator(target: GoalTarget) -> str:
    return target.comparator or ("<=" if target.measure in _LOWER_IS_BETTER else ">=")


def _said(target: GoalTarget) -> str:
    return f"{target.measure} {_comparator(target)} {target.value} {UNITS[target.measure]}"


def _listed(draft: Draft, system: str, code: str | None) -> Element | None:
    """The concept of one code of a list; None for none."""
    if code is None:
        return None
    return {"coding": [draft.codes.coding(system, code)], "text": draft.codes.display(system, code)}


def _expressed_by(draft: Draft, who: str | None) -> Element | None:
    """The patient or the clinician; a carer is nobody on file and is named in words."""
    if who is None:
        return None
    if who == "carer":
        return {"display": "Carer"}
    return reference(draft.patient if who == "patient" else draft.clinician())


def add_review(draft: Draft, review: GoalReview, goal: str) -> None:
    """What was stated about the goal behind the reference ``goal``."""
    path = f"reviews/{review.goal}"
    if review.lifecycle_status or review.achievement_status or review.reason:
        said = (review.lifecycle_status, review.achievement_status, review.reason)
        _add_statement(draft, path, goal, said, moment(draft.start))
    if review.scaling_level is not None:
        level = whole(review.scaling_level)
        focus = [goal]
        draft.observe(f"{path}/scaling", "goal-scaling-level", ("survey",), level, focus=focus)


def _add_statement(
    draft: Draft, path: str, goal: str, said: tuple[str | None, str | None, str | None], when: str
) -> None:
    """``said`` is lifecycle status, achievement status and reason."""
    lifecycle, achievement, reason = said
    stage = _listed(draft, _GOAL_STATUS, lifecycle)
    reached = _listed(draft, _ACHIEVEMENT, achievement)
    draft.observe(
        path,
        "goal-stated-status",
        ("exam",),
        components=statement_components(draft.codes, stage, reached, reason),
        effective=when,
        focus=[goal],
    )
