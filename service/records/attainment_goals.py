"""Stored Goals as goal attainment needs them: targets, criterion, baseline and what people stated."""

from collections import defaultdict
from collections.abc import Iterable, Mapping
from datetime import date
from fractions import Fraction

from service.attainment.criterion import Criterion
from service.attainment.goals import Goal, Target, Value
from service.attainment.inputs import GoalOnFile, ScalingLevel, ScalingPlan, Statement
from service.attainment.measures import MEASURES, SHARES
from service.fhir.references import local_target
from service.records.stored import (
    Resource,
    Seen,
    code_of,
    exact,
    extensions,
    number,
    reference_to,
    value_code,
    whole,
)

__all__ = ["goals_on_file"]

_ACHIEVEMENT = "http://terminology.hl7.org/CodeSystem/goal-achievement"
_LIFECYCLE = "http://hl7.org/fhir/goal-status"
_WHOLE = {"closure-accuracy": 100, "judgement-agreement": 100, "judgement-bias": 1}
"""What a share of trials is a share of, in the measure's unit."""

Observed = Mapping[str, list[Seen]]


def goals_on_file(goals: Iterable[Resource], observed: Observed) -> tuple[GoalOnFile, ...]:
    """Read every Goal, in the order of start and reference."""
    baselines = {one.reference: one for one in observed["goal-baseline"]}
    stated, levels = _by_focus(observed["goal-stated-status"]), _by_focus(observed["goal-scaling-level"])
    found = []
    for goal in goals:
        name = reference_to(goal)
        found.append(_goal(goal, baselines, stated[name], levels[name]))
    return tuple(sorted(found, key=lambda one: (one.goal.start or date.min, one.reference)))


def _goal(
    goal: Resource,
    baselines: Mapping[str, Seen],
    stated: Iterable[Seen],
    levels: Iterable[Seen],
) -> GoalOnFile:
    raw = goal.get("target", ())
    targets = tuple(target for one in raw if (target := _target(one)))
    measure = targets[0].measure if targets else ""
    criterion, step = _criterion(goal)
    due = [day for one in raw if (day := _date(one.get("dueDate")))]
    return GoalOnFile(
        reference=reference_to(goal),
        description=goal.get("description", {}).get("text", ""),
        goal=Goal(
            targets=targets if len(targets) == len(raw) else (),
            step=step or (MEASURES[measure].step if measure in MEASURES else Fraction(1)),
            criterion=criterion,
            start=_date(goal.get("startDate")),
            due=max(due, default=None),
            baseline=_baseline(goal, baselines, measure),
        ),
        statements=_statements(goal, stated),
        scaling=_scaling(goal, levels),
        problems=_problems(goal),
    )


def _target(target: Resource) -> Target | None:
    """A target whose measure and value are known here; its better side unless the comparator says."""
    measure = MEASURES.get(code_of(target.get("measure")))
    quantity = target.get("detailQuantity", {})
    value = exact(target.get("detailInteger", quantity.get("value")))
    if measure is None or value is None:
        return None
    comparator = quantity.get("comparator", "")
    consistency = next(extensions(target, "goal-target-consistency"), {})
    return Target(
        measure=measure.code,
        value=value,
        higher_is_better=comparator.startswith(">") if comparator else measure.higher_is_better,
        strict=comparator in ("<", ">"),
        absolute=measure.absolute,
        consistency=whole(consistency),
    )


def _problems(goal: Resource) -> tuple[str, ...]:
    """Why a goal's status can't be computed; every target must be understood, since all are met together."""
    raw = goal.get("target", ())
    if not raw:
        return ("The goal has no target, so its status is not computed.",)
    return tuple(
        f"Target {number} has no measure and value this service computes, so the status is not computed."
        for number, target in enumerate(raw, 1)
        if _target(target) is None
    )


def _criterion(goal: Resource) -> tuple[Criterion, Fraction | None]:
    parts = {
        part["url"]: part.get("valuePositiveInt", part.get("valueDecimal", part.get("valueInteger")))
        for one in extensions(goal, "goal-criterion")
        for part in one.get("extension", ())
    }
    usual = Criterion()
    step = exact(parts.get("step"))
    return Criterion(
        visits=_positive(parts.get("visits"), usual.visits),
        min_trials=_positive(parts.get("minTrials"), usual.min_trials),
        dips=_positive(parts.get("dips"), usual.dips),
    ), step if step and step > 0 else None


def _positive(value: object, usual: int) -> int:
    return value if isinstance(value, int) and value > 0 else usual


def _baseline(goal: Resource, baselines: Mapping[str, Seen], measure: str) -> Value | None:
    named = next(extensions(goal, "goal-baseline"), {}).get("valueReference", {}).get("reference", "")
    one = baselines.get(local_target(named))
    value = number(one.resource) if one else None
    if one is None or value is None:
        return None
    n = whole(one.part("trials-scored"))
    share = _share(measure, value, n)
    k = share * n / 100 if n and measure in SHARES else None
    return Value(
        day=one.day,
        value=share,
        k=int(k) if k is not None and k.denominator == 1 else None,
        n=n,
        evidence=(one.reference,),
    )


def _share(measure: str, value: Fraction, n: int | None) -> Fraction:
    """The share of n trials that a rounded value stands for (66.7 % of 3 trials is 2/3)."""
    of = _WHOLE.get(measure)
    if of is None or not n:
        return value
    nearest = Fraction(round(value * n / of) * of, n)
    return nearest if abs(nearest - value) <= Fraction(of, 200) else value


def _statements(goal: Resource, stated: Iterable[Seen]) -> tuple[Statement, ...]:
    """Reviews in time order and the Goal's own status: dated, it is last of its day; undated, of all."""
    own = Statement(
        day=_date(goal.get("statusDate")),
        lifecycle=goal.get("lifecycleStatus", ""),
        achievement=code_of(goal.get("achievementStatus"), _ACHIEVEMENT),
        reason=goal.get("statusReason", ""),
    )
    reviews = [
        Statement(
            day=one.day,
            lifecycle=value_code(one.part("lifecycle-status"), _LIFECYCLE),
            achievement=value_code(one.part("achievement-status"), _ACHIEVEMENT),
            reason=one.part("status-reason").get("valueString", ""),
        )
        for one in stated
    ]
    return tuple(sorted([*reviews, own], key=lambda said: said.day or date.max))


def _scaling(goal: Resource, levels: Iterable[Seen]) -> ScalingPlan | None:
    baseline = whole(next(extensions(goal, "goal-scaling-baseline"), {}))
    if baseline is None:
        return None
    importance = whole(next(extensions(goal, "goal-importance"), {}))
    difficulty = whole(next(extensions(goal, "goal-difficulty"), {}))
    return ScalingPlan(
        baseline=baseline,
        weight=1 if importance is None or difficulty is None else importance * difficulty,
        levels=tuple(
            ScalingLevel(one.day, level, one.reference)
            for one in levels
            if (level := whole(one.resource)) is not None
        ),
    )


def _by_focus(observations: Iterable[Seen]) -> dict[str, list[Seen]]:
    found: dict[str, list[Seen]] = defaultdict(list)
    for one in observations:
        found[one.focus].append(one)
    return found


def _date(text: str | None) -> date | None:
    """A FHIR date to the day; None for a partial one."""
    return date.fromisoformat(text) if text and len(text) == len("2026-02-04") else None
