"""Goal attainment of one person as of a date."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date

from service.attainment.answers import (
    GoalAnswer,
    PatientAnswer,
    PracticeAnswer,
    Reading,
    Score,
    Stated,
)
from service.attainment.attention import cue_facts, next_review, until
from service.attainment.cues import CueLimits, cues
from service.attainment.detection import detection
from service.attainment.dose import adherence_of_logs
from service.attainment.goals import Goal, Value
from service.attainment.inputs import ExcludedVisit, GoalOnFile, PatientInputs, Statement
from service.attainment.intervals import Interval, wilson
from service.attainment.luck import Luck, luck
from service.attainment.measures import MEASURES, SCORES, SHARES, TRIAL_MEASURES, UNITS
from service.attainment.phases import Phase, baseline_overlap, phases
from service.attainment.reliable_change import ReliableChange, reliable_change
from service.attainment.scaling import Rating, Scaling, scaling
from service.attainment.series import series
from service.attainment.since_baseline import reliably, since_baseline
from service.attainment.status import Status, status
from service.attainment.studies import study_results
from service.attainment.trend import Trend, trend
from service.attainment.visits import VisitResult, pooled_judgement, visit_results
from service.errors import RuleViolation

__all__ = ["attain"]

Series = list[list[Value]]

_LONGEST_RUN = 20
"""Visits, or trials of a visit, beyond which no chance of luck is worked out."""
_FINEST_RATE = 1_000


@dataclass(frozen=True, slots=True)
class _Whole:
    """What every goal of a person is seen against."""

    inputs: PatientInputs
    as_of: date
    visits: tuple[VisitResult, ...]
    practice: tuple[PracticeAnswer, ...]
    excluded: tuple[ExcludedVisit, ...]
    phases: tuple[Phase, ...]


def attain(inputs: PatientInputs, as_of: date, limits: CueLimits | None = None) -> PatientAnswer:
    """Compute everything as of a date; later data are not seen, goals that start later are not answered.

    ``limits`` say when an attention cue is given; None for the usual ones.
    """
    goals = sorted(
        (goal for goal in inputs.goals if goal.goal.start is None or goal.goal.start <= as_of), key=_order
    )
    visits = visit_results(block for block in inputs.blocks if block.day <= as_of)
    logs = sorted((log for log in inputs.logs if log.end <= as_of), key=lambda log: log.start)
    each, together = adherence_of_logs(log.days for log in logs)
    practice = tuple(map(PracticeAnswer, logs, each))
    excluded = until(inputs.excluded, as_of)
    whole = _Whole(inputs, as_of, visits, practice, excluded, phases(inputs.care, as_of))
    studies = study_results(until(inputs.studies, as_of))
    facts = cue_facts(inputs, visits, [one.study for one in studies], as_of)
    scaled, problem = _scaling(goals, as_of)
    own = pooled_judgement(visits)
    return PatientAnswer(
        as_of=as_of,
        goals=tuple(_goal(goal, whole) for goal in goals),
        visits=visits,
        own_pooled=own,
        own_detection=detection(own.cells),
        practice=practice,
        practice_all=together,
        scaling=scaled,
        scaling_problem=problem,
        cues=cues(facts, limits),
        studies=studies,
        scores=_scores(inputs, as_of),
        phases=whole.phases,
        review=next_review(inputs.care, as_of),
        excluded=excluded,
        endings=until(inputs.care.endings, as_of),
    )


def _order(on_file: GoalOnFile) -> tuple[date, int, str, str]:
    """Older goals first; those of one day in the order of the measures, then by their text."""
    goal = on_file.goal
    measures = [*MEASURES, *(target.measure for target in goal.targets)]
    place = measures.index(goal.targets[0].measure) if goal.targets else len(measures)
    return goal.start or date.min, place, on_file.description, on_file.reference


def _goal(on_file: GoalOnFile, whole: _Whole) -> GoalAnswer:
    as_of, visits = whole.as_of, whole.visits
    stated = _stated(on_file.statements, as_of)
    goal = replace(on_file.goal, lifecycle=stated.lifecycle)
    values = [series(target, whole.inputs, visits, whole.practice) for target in goal.targets]
    found = status(goal, values, as_of)
    measure = goal.targets[0].measure if goal.targets else ""
    return GoalAnswer(
        reference=on_file.reference,
        description=on_file.description,
        measure=measure,
        status=found,
        stated=stated,
        interval=_interval(measure, found.latest),
        readings=_readings(found, values, whole),
        trend=_trend(found.values),
        trend_last_5=_trend(found.values[-5:]),
        days_left=(goal.due - as_of).days if goal.due else None,
        evidence=_evidence(found, values),
        problems=on_file.problems,
        luck=_luck(goal, len(found.values)),
        reliable_change=reliably(measure, found),
        change=since_baseline(measure, found, visits),
        overlap=baseline_overlap(until(values[0], as_of), goal.targets[0], whole.phases) if values else None,
    )


def _scores(inputs: PatientInputs, as_of: date) -> tuple[Score, ...]:
    """Everything recorded as a score or weight, up to the date."""
    found = [(measure, until(values, as_of)) for measure, values in inputs.scores.items()]
    return tuple(
        Score(measure, UNITS.get(measure, "1"), values, _moved(measure, values))
        for measure, values in found
        if values
    )


def _moved(measure: str, values: Sequence[Value]) -> ReliableChange | None:
    if measure not in SCORES or len(values) < 2:
        return None
    return reliable_change(measure, float(values[0].value), float(values[-1].value))


def _luck(goal: Goal, visits: int) -> Luck | None:
    """For one share of trials to be reached; within the visits so far (at least one run, at most 20)."""
    criterion = goal.criterion
    if len(goal.targets) != 1 or goal.targets[0].measure not in SHARES:
        return None
    target, longest = goal.targets[0], max(criterion.visits, criterion.min_trials)
    rate = (target.value - goal.step) / 100
    plain = target.higher_is_better and not target.strict and rate.denominator <= _FINEST_RATE
    plain = plain and not criterion.of and criterion.weeks == 1
    if not plain or not 0 < rate < 1 or longest > _LONGEST_RUN:
        return None
    within = min(max(visits, criterion.visits), _LONGEST_RUN)
    share = target.value / 100
    return luck(rate, share, criterion.min_trials, visits_in_a_row=criterion.visits, visits=within)


def _stated(statements: Sequence[Statement], as_of: date) -> Stated:
    """The newest statement of each kind; a goal whose only statement is later counts as active until then."""
    known = [said for said in statements if said.day is None or said.day <= as_of]
    last = known[-1] if known else None
    return Stated(
        lifecycle=next((said.lifecycle for said in reversed(known) if said.lifecycle), "active"),
        achievement=next((said.achievement for said in reversed(known) if said.achievement), ""),
        day=last.day if last else None,
        reason=last.reason if last else "",
    )


def _interval(measure: str, value: Value | None) -> Interval | None:
    """Wilson's interval in percent, for measures that are k of n trials."""
    if measure not in SHARES or value is None or value.k is None or value.n is None:
        return None
    shares = wilson(value.k, value.n)
    return None if shares is None else Interval(100 * shares.low, 100 * shares.high, shares.method)


def _readings(found: Status, values: Series, whole: _Whole) -> tuple[Reading, ...]:
    """Each day with a probe, or with a value of the first target, from the goal's start to the date.

    For a measure of trials a visit that was excluded is a reading without a value.
    """
    if not values:
        return ()
    goal, as_of = found.goal, found.as_of
    excluded: dict[date, str] = {}
    by_day = [{value.day: value for value in reversed(of_one)} for of_one in values]
    days = set(by_day[0])
    if goal.targets[0].measure in TRIAL_MEASURES:
        excluded = {one.day: f"visit excluded: {one.reason}" for one in whole.excluded}
        days = days | {visit.day for visit in whole.visits} | excluded.keys()
    return tuple(
        _reading(found, day, [of_one.get(day) for of_one in by_day], excluded.get(day, ""))
        for day in sorted(days)
        if day <= as_of and (goal.start is None or goal.start <= day)
    )


def _reading(found: Status, day: date, today: Sequence[Value | None], excluded: str) -> Reading:
    goal = found.goal
    why = "; ".join(dict.fromkeys(out.why for out in found.left_out if out.day == day))
    return Reading(
        day=day,
        value=today[0],
        interval=_interval(goal.targets[0].measure, today[0]),
        at_target=goal.met_by(today),
        counts=today[0] is not None and not why,
        why=why or ("" if today[0] is not None else excluded or "not measured"),
    )


def _trend(values: Sequence[Value]) -> Trend:
    return trend((value.day.toordinal(), value.value) for value in values)


def _evidence(found: Status, values: Series) -> tuple[str, ...]:
    days = {value.day for value in found.values}
    used = [value for of_one in values for value in of_one if value.day in days]
    if found.baseline is not None and found.baseline_recorded:
        used.insert(0, found.baseline)
    return tuple(dict.fromkeys(source for value in used for source in value.evidence))


def _scaling(goals: Sequence[GoalOnFile], as_of: date) -> tuple[Scaling | None, str]:
    ratings = [_rating(goal, as_of) for goal in goals if goal.scaling is not None]
    try:
        return scaling(rating for rating in ratings if rating is not None), ""
    except RuleViolation as error:
        return None, str(error)


def _rating(goal: GoalOnFile, as_of: date) -> Rating | None:
    if goal.scaling is None:
        return None
    levels = [stated for stated in goal.scaling.levels if stated.day <= as_of]
    newest = max(levels, key=lambda stated: stated.day, default=None)
    return Rating(
        goal=goal.reference,
        baseline=goal.scaling.baseline,
        level=newest.level if newest else None,
        weight=goal.scaling.weight,
    )
