"""Stored Goals as goal attainment needs them: targets, criterion, baseline and what people stated."""

from collections import defaultdict
from collections.abc import Iterable, Mapping
from datetime import date
from fractions import Fraction

from service.attainment.criterion import Criterion
from service.attainment.goals import Goal, Target, Value
from service.attainment.inputs import GoalOnFile, ScalingLevel, ScalingPlan, Statement
from service.attainment.measures import MEASURES, SHARES
from service.records import views
from service.records.seen import Seen
from service.records.views import exact

__all__ = ["goals_on_file"]

_ACHIEVEMENT = "http://terminology.hl7.org/CodeSystem/goal-achievement"
_LIFECYCLE = "http://hl7.org/fhir/goal-status"
_WHOLE = {"closure-accuracy": 100, "judgement-agreement": 100, "judgement-bias": 1}
"""What a share of trials is a share of, in the measure's unit."""

Observed = Mapping[str, list[Seen]]


def goals_on_file(goals: Iterable[views.Goal], observed: Observed) -> tuple[GoalOnFile, ...]:
    """Read every Goal, in the order of start and reference."""
    baselines = {one.reference: one for one in observed["goal-baseline"]}
    stated, levels = _by_focus(observed["goal-stated-status"]), _by_focus(observed["goal-scaling-level"])
    found = []
    for goal in goals:
        name = goal.reference
        found.append(_goal(goal, baselines, stated[name], levels[name]))
    return tuple(sorted(found, key=lambda one: (one.goal.start or date.min, one.reference)))


def _goal(
    goal: views.Goal,
    baselines: Mapping[str, Seen],
    stated: Iterable[Seen],
    levels: Iterable[Seen],
) -> GoalOnFile:
    raw = goal.target
    targets = tuple(target for one in raw if (target := _target(one)))
    measure = targets[0].measure if targets else ""
    criterion, step = _criterion(goal)
    due = [day for one in raw if (day := _date(one.due_date))]
    return GoalOnFile(
        reference=goal.reference,
        description=goal.description.text,
        goal=Goal(
            targets=targets if len(targets) == len(raw) else (),
            step=step or (MEASURES[measure].step if measure in MEASURES else Fraction(1)),
            criterion=criterion,
            start=_date(goal.start_date),
            due=max(due, default=None),
            baseline=_baseline(goal, baselines, measure),
        ),
        statements=_statements(goal, stated),
        scaling=_scaling(goal, levels),
        problems=_problems(goal),
    )


def _target(target: views.Target) -> Target | None:
    """A target whose measure and value are known here; its better side unless the comparator says."""
    measure = MEASURES.get(target.measure.own)
    quantity = target.detail_quantity
    value = exact(quantity.value if target.detail_integer is None else target.detail_integer)
    if measure is None or value is None:
        return None
    comparator = quantity.comparator
    return Target(
        measure=measure.code,
        value=value,
        higher_is_better=comparator.startswith(">") if comparator else measure.higher_is_better,
        strict=comparator in ("<", ">"),
        absolute=measure.absolute,
        consistency=_whole(target.extended("goal-target-consistency")),
    )


def _problems(goal: views.Goal) -> tuple[str, ...]:
    """Why a goal's status can't be computed; every target must be understood, since all are met together."""
    if not goal.target:
        return ("The goal has no target, so its status is not computed.",)
    return tuple(
        f"Target {number} has no measure and value this service computes, so the status is not computed."
        for number, target in enumerate(goal.target, 1)
        if _target(target) is None
    )


def _criterion(goal: views.Goal) -> tuple[Criterion, Fraction | None]:
    parts = {part.url: part.number for one in goal.extensions("goal-criterion") for part in one.extension}
    usual = Criterion()
    step = exact(parts.get("step"))
    return Criterion(
        visits=_positive(parts.get("visits"), usual.visits),
        min_trials=_positive(parts.get("minTrials"), usual.min_trials),
        dips=_positive(parts.get("dips"), usual.dips),
        of=_positive(parts.get("ofVisits"), usual.of),
        weeks=_positive(parts.get("weeks"), usual.weeks),
        without_cues=any(
            one.within("withoutCues").value_boolean or False for one in goal.extensions("goal-criterion")
        ),
    ), step if step and step > 0 else None


def _positive(value: object, usual: int) -> int:
    return value if isinstance(value, int) and value > 0 else usual


def _baseline(goal: views.Goal, baselines: Mapping[str, Seen], measure: str) -> Value | None:
    one = baselines.get(goal.extended("goal-baseline").value_reference.target)
    value = one.observation.number() if one else None
    if one is None or value is None:
        return None
    n = one.part("trials-scored").whole
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


def _statements(goal: views.Goal, stated: Iterable[Seen]) -> tuple[Statement, ...]:
    """Reviews in time order and the Goal's own status: dated, it is last of its day; undated, of all."""
    own = Statement(
        day=_date(goal.status_date),
        lifecycle=goal.lifecycle_status,
        achievement=goal.achievement_status.of(_ACHIEVEMENT),
        reason=goal.status_reason,
    )
    reviews = [
        Statement(
            day=one.day,
            lifecycle=one.part("lifecycle-status").value_codeable_concept.of(_LIFECYCLE),
            achievement=one.part("achievement-status").value_codeable_concept.of(_ACHIEVEMENT),
            reason=one.part("status-reason").value_string,
        )
        for one in stated
    ]
    return tuple(sorted([*reviews, own], key=lambda said: said.day or date.max))


def _scaling(goal: views.Goal, levels: Iterable[Seen]) -> ScalingPlan | None:
    baseline = _whole(goal.extended("goal-scaling-baseline"))
    if baseline is None:
        return None
    importance = _whole(goal.extended("goal-importance"))
    difficulty = _whole(goal.extended("goal-difficulty"))
    return ScalingPlan(
        baseline=baseline,
        weight=1 if importance is None or difficulty is None else importance * difficulty,
        levels=tuple(
            ScalingLevel(one.day, level, one.reference)
            for one in levels
            if (level := one.observation.whole) is not None
        ),
    )


def _by_focus(observations: Iterable[Seen]) -> dict[str, list[Seen]]:
    found: dict[str, list[Seen]] = defaultdict(list)
    for one in observations:
        found[one.focus].append(one)
    return found


def _whole(extension: views.Extension) -> int | None:
    return extension.value_integer if exact(extension.value_integer) is not None else None


def _date(text: str) -> date | None:
    """A FHIR date to the day; None for a partial one."""
    return date.fromisoformat(text) if len(text) == len("2026-02-04") else None
