"""From the computed answer, the one the API gives, to the goals on the page. Nothing is computed here."""

from collections.abc import Mapping
from datetime import date

from service.attainment.answers import GoalAnswer, PatientAnswer, PracticeAnswer, Reading
from service.attainment.goals import Value
from service.attainment.measures import TRIAL_MEASURES
from service.attainment.visits import VisitResult
from service.page import view_model as page
from service.page.reasons import last_change_words, luck_words, reliable_words, target_words, trend_words, why
from service.page.scales import scale
from service.page.visit_rows import cue_words
from service.page.working import left_out, working

__all__ = ["goal_views"]


def goal_views(answer: PatientAnswer) -> tuple[page.GoalView, ...]:
    """Every goal of the answer, in its order."""
    practice = _practice(answer.practice)
    visits = {visit.day: visit for visit in answer.visits}
    phases = _phases(answer)
    return tuple(_goal(goal, visits, practice, phases) for goal in answer.goals)


def _goal(
    goal: GoalAnswer,
    visits: Mapping[date, VisitResult],
    practice: page.Practice | None,
    phases: tuple[tuple[date, str], ...],
) -> page.GoalView:
    status, targets = goal.status, goal.status.goal.targets
    values = [reading.value for reading in goal.readings if reading.value is not None]
    measure = scale(goal.measure, values)
    measures = [measure, *(scale(target.measure, ()) for target in targets[1:])][: len(targets)]
    readings = tuple(_reading(goal.measure, reading, visits.get(reading.day)) for reading in goal.readings)
    steps, stated = status.progress, goal.stated
    return page.GoalView(
        id=goal.reference,
        description=goal.description,
        measure=measure,
        target=targets[0].value if targets else None,
        target_words=target_words(goal, measures),
        needed=status.goal.criterion.visits,
        of=status.goal.criterion.of,
        weeks=status.goal.criterion.weeks,
        without_cues=status.goal.criterion.without_cues,
        run=steps.so_far,
        met=steps.met,
        baseline=_baseline(status.baseline),
        latest=_latest(goal, readings),
        readings=readings,
        due=status.goal.due,
        days_left=goal.days_left,
        computed=status.code or "",
        stated=stated.achievement,
        lifecycle=stated.lifecycle,
        stated_reason=stated.reason,
        rule=str(status.rule),
        why=why(goal, measure),
        attained=steps.attained,
        met_run=(steps.run.start, steps.run.end) if steps.run else None,
        regressed=steps.regressed,
        held_since=stated.day if stated.lifecycle == "on-hold" else None,
        trend=trend_words(goal.trend, measure),
        practice=practice,
        luck=luck_words(goal),
        reliable_change=reliable_words(goal.reliable_change, status.baseline, status.latest, measure),
        problems=goal.problems,
        last_change=last_change_words(readings, measure),
        phases=phases,
        cue_level=_cue_level(goal, visits),
        working=working(goal, measure),
        left_out=left_out(status),
        evidence=goal.evidence,
    )


def _phases(answer: PatientAnswer) -> tuple[tuple[date, str], ...]:
    """Last day before each change of phase, and what began; a single visit before training is no phase."""
    changes = [(phase.after, phase.label) for phase in answer.phases if phase.after is not None]
    days = [visit.day for visit in answer.visits]
    return tuple((day, label) for day, label in changes if sum(one <= day for one in days) > 1)


def _cue_level(goal: GoalAnswer, visits: Mapping[date, VisitResult]) -> str:
    """How much help the latest probe's trials had, where they say so."""
    latest = goal.status.latest
    visit = visits.get(latest.day) if latest and goal.measure in TRIAL_MEASURES else None
    return cue_words(visit.cue_levels) if visit else ""


def _baseline(value: Value | None) -> page.Reading | None:
    return None if value is None else page.Reading(value.day, value.value, _trials(value))


def _latest(goal: GoalAnswer, readings: tuple[page.Reading, ...]) -> page.Reading | None:
    latest = goal.status.latest
    if latest is None:
        return None
    return next((reading for reading in readings if reading.day == latest.day), None)


def _trials(value: Value) -> page.Count | None:
    return page.Count(value.k, value.n) if value.k is not None and value.n is not None else None


def _reading(measure: str, reading: Reading, visit: VisitResult | None) -> page.Reading:
    value, interval = reading.value, reading.interval
    beside = visit if measure in TRIAL_MEASURES else None
    return page.Reading(
        day=reading.day,
        value=value.value if value else None,
        trials=_trials(value) if value else None,
        low=interval.low if interval else None,
        high=interval.high if interval else None,
        at_target=reading.at_target,
        counts=reading.counts,
        left_out=_left_out(measure, reading, beside),
        agreement=_agreement(beside) if measure == "closure-accuracy" else None,
        after=_after(beside) if measure == "closure-accuracy" else None,
    )


def _left_out(measure: str, reading: Reading, visit: VisitResult | None) -> str:
    """Trials that were not scored, by why, and why the visit does not count."""
    parts = []
    if visit is not None:
        by_measure = {"closure-accuracy": visit.closure.left_out, "hold-time": visit.hold.left_out}
        out = by_measure.get(measure, visit.own.left_out)
        parts = [f"{number} {reason}" for reason, number in out.items()]
    if reading.why and reading.value is not None:
        parts.append(reading.why)
    return "; ".join(parts)


def _agreement(visit: VisitResult | None) -> page.Count | None:
    if visit is None or not visit.own.n:
        return None
    return page.Count(visit.own.cells.both_closed + visit.own.cells.both_open, visit.own.n)


def _after(visit: VisitResult | None) -> page.Count | None:
    found = visit.after_closure if visit else None
    return page.Count(found.k, found.n) if found else None


def _practice(practice: tuple[PracticeAnswer, ...]) -> page.Practice | None:
    """The newest log: the days since the visit before."""
    if not practice:
        return None
    newest = max(practice, key=lambda one: one.log.end)
    found = newest.adherence
    return page.Practice(
        newest.log.start,
        newest.log.end,
        found.of_logged_days,
        found.unlogged_as_zero,
        found.logged_days,
        found.days,
        newest.log.returned,
    )
