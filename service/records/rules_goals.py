"""Rules on goals and on what is stated about them.

Achievement codes: http://terminology.hl7.org/CodeSystem/goal-achievement. Scaling: Kiresuk & Sherman 1968.
"""

from decimal import Decimal
from itertools import pairwise

from service.records.case import Case
from service.records.protocols import Measure, measures
from service.records.report import Report
from service.records.visit import Goal, GoalReview, GoalTarget, Scaling

__all__ = ["ACHIEVEMENT", "check_goals"]

ACHIEVEMENT = (
    "in-progress",
    "improving",
    "worsening",
    "no-change",
    "achieved",
    "sustaining",
    "not-achieved",
    "no-progress",
    "not-attainable",
)
_NEED_REASON = ("on-hold", "cancelled", "not-attainable")
_LEVELS = ("-2", "-1", "0", "+1", "+2")


def check_goals(case: Case, report: Report) -> None:
    """Each goal set and each goal reviewed at this visit."""
    seen: set[str] = set()
    for number, goal in enumerate(case.record.goals):
        below = report.below("goals", number)
        if goal.key is not None and goal.key in seen:
            below.error("key", f"Goal '{goal.key}' is listed twice.", "goal-unique")
        elif goal.key in case.context.goals:
            message = f"Goal '{goal.key}' is already on file; state what changed under goal_reviews."
            below.error("key", message, "goal-unique")
        seen.add(goal.key)
        _goal(case, goal, below)
    for number, review in enumerate(case.record.goal_reviews):
        _review(case, review, report.below("goal_reviews", number))


def _goal(case: Case, goal: Goal, report: Report) -> None:
    if goal.due is None:
        report.error("due", "Give the date by which the goal is due.", "goal-due")
    elif goal.start is not None and goal.due <= goal.start:
        report.error("due", f"Due date {goal.due} is not after the start date {goal.start}.", "goal-due")
    if goal.lifecycle_status == "active" and goal.baseline is None:
        report.error("baseline", "Record a baseline before making the goal active.", "goal-baseline")
    _status(goal.lifecycle_status, goal.achievement_status, goal.status_reason, "status_reason", report)
    for number, target in enumerate(goal.targets):
        _target(target, report.below("targets", number))
    _baseline(goal, report)
    _criterion(case, goal, report.below("criterion"))
    for field in ("importance", "difficulty"):
        value = getattr(goal, field)
        if value is not None and not 0 <= value <= 3:
            report.error(field, "Importance and difficulty run from 0 to 3.", "goal-weight")
    if goal.scaling is not None:
        measure = measures().get(goal.targets[0].measure) if goal.targets else None
        _scaling(goal.scaling, measure.step if measure else Decimal(1), report.below("scaling"))


def _review(case: Case, review: GoalReview, report: Report) -> None:
    known = {goal.key for goal in case.record.goals} | set(case.context.goals)
    if review.goal is not None and review.goal not in known:
        report.error("goal", f"Goal '{review.goal}' is not among this person's goals.", "goal-known")
    stated = (review.lifecycle_status, review.achievement_status, review.scaling_level)
    if stated == (None, None, None):
        report.error("", "State a status or a scaling level of the goal.", "review-states")
    on_file = case.context.goals.get(review.goal)
    if review.lifecycle_status == "active" and on_file is not None and not on_file.has_baseline:
        message = "Record a baseline before making the goal active."
        report.error("lifecycle_status", message, "goal-baseline")
    _status(review.lifecycle_status, review.achievement_status, review.reason, "reason", report)


def _status(
    lifecycle: str | None, achievement: str | None, reason: str | None, field: str, report: Report
) -> None:
    if achievement is not None and achievement not in ACHIEVEMENT:
        message = f"Achievement status '{achievement[:60]}' is not one of {', '.join(ACHIEVEMENT)}."
        report.error("achievement_status", message, "goal-achievement")
    for status in (lifecycle, achievement):
        if status in _NEED_REASON and reason is None:
            report.error(field, f"Give the reason for '{status}'.", "goal-status-reason")


def _target(target: GoalTarget, report: Report) -> None:
    measure = measures().get(target.measure)
    if measure is None:
        return
    if target.value is not None and not measure.low <= _sized(measure, target.value) <= measure.high:
        message = f"Target {target.value} is outside {measure.low}-{measure.high} for {measure.name}."
        report.error("value", message, "target-range")
    better = ">=" if measure.better == "higher" else "<="
    if target.comparator not in (None, better):
        message = f"For {measure.name} {measure.better} is better; the comparator must be '{better}'."
        report.error("comparator", message, "target-comparator")
    if target.consistency is not None and not 0 <= target.consistency <= 7:
        report.error("consistency", "Consistency must be an IDDSI level from 0 to 7.", "consistency-range")
    elif measure.name == "airway entry group" and target.consistency is None:
        message = "Name the consistency (IDDSI level) this airway-entry goal is about."
        report.error("consistency", message, "target-consistency")


def _sized(measure: Measure, value: Decimal) -> Decimal:
    """A bias is over- or under-confidence alike: its size counts."""
    return abs(value) if measure.name == "judgement bias" else value


def _baseline(goal: Goal, report: Report) -> None:
    first = goal.targets[0] if goal.targets else None
    measure = measures().get(first.measure) if first is not None else None
    if first is None or measure is None or goal.baseline is None or goal.baseline.value is None:
        return
    baseline = goal.baseline.value
    if not measure.low <= _sized(measure, baseline) <= measure.high:
        if not (measure.name == "hold time" and baseline == 0):
            message = f"Baseline {baseline} is outside {measure.low}-{measure.high} for {measure.name}."
            report.error(("baseline", "value"), message, "baseline-range")
        return
    if first.value is None or goal.purpose != "improve":
        return
    gain = _sized(measure, first.value) - _sized(measure, baseline)
    if (gain if measure.better == "higher" else -gain) <= 0:
        message = (
            f"Target {first.value} is not better than the baseline {baseline} "
            f"for a measure where {measure.better} is better."
        )
        report.error(("targets", 0, "value"), message, "target-better")


def _criterion(case: Case, goal: Goal, report: Report) -> None:
    visits = goal.criterion.visits if goal.criterion is not None else None
    if visits is None:
        return
    planned = case.context.visits_planned
    if not 1 <= visits <= 10:
        report.error("visits", "Criterion 'k' must be 1 to 10.", "criterion-range")
    elif planned is not None and visits > planned:
        message = f"The criterion asks for {visits} visits, but {planned} are planned."
        report.warn("visits", message, "criterion-planned")
    of_visits = goal.criterion.of_visits if goal.criterion is not None else None
    if of_visits is not None and not visits <= of_visits <= 20:
        message = f"'{visits} of {of_visits}' visits can't be asked for: give {visits} to 20 visits."
        report.error("of_visits", message, "criterion-of")


def _scaling(scaling: Scaling, step: Decimal, report: Report) -> None:
    """Five statements; measured ranges, where given, that neither overlap nor leave a gap."""
    if absent := [level for level in _LEVELS if level not in (scaling.statements or {})]:
        message = f"Scaling needs a statement for each level; missing: {', '.join(absent)}."
        report.error("statements", message, "scaling-levels")
    ranges = sorted((scaling.ranges or {}).values())
    for level, (low, high) in (scaling.ranges or {}).items():
        if high < low:
            report.error(("ranges", level), f"Range {low} to {high} ends before it begins.", "scaling-ranges")
            return
    for (_, high), (low, _) in pairwise(ranges):
        if low <= high:
            report.error("ranges", f"GAS levels overlap at {low}.", "scaling-ranges")
        elif low > high + step:
            report.error("ranges", f"No GAS level covers {high + step}.", "scaling-ranges")
