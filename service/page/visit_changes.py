"""What changed from the visit before: the same computed answer as of both days, side by side."""

from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction

from service.attainment.answers import GoalAnswer, PatientAnswer, Score
from service.page import words
from service.page.scales import scale
from service.page.view_model import Count, Measure

__all__ = ["ChangeRow", "changes"]


@dataclass(frozen=True, slots=True)
class ChangeRow:
    """One thing, before and now in words; ``changed``: whether it did, where a newer date is no change.

    Several sentences stand on a line each.
    """

    what: str
    before: str
    now: str
    changed: bool


def changes(before: PatientAnswer | None, now: PatientAnswer) -> tuple[ChangeRow, ...]:
    """Goals (result, computed and stated status), scores and cues; ``before`` is None at the first visit."""
    return (*_goals(before, now), *_scores(before, now), _cues(before, now))


def _row(what: str, before: str, now: str) -> ChangeRow:
    return ChangeRow(what, before, now, before != now)


def _goals(before: PatientAnswer | None, now: PatientAnswer) -> Iterable[ChangeRow]:
    earlier = {goal.reference: goal for goal in before.goals} if before else {}
    for goal in now.goals:
        old = earlier.get(goal.reference)
        yield _row(goal.description, _result(old), _result(goal))
        yield _row(f"{goal.description}: status", _status(old), _status(goal))


def _result(goal: GoalAnswer | None) -> str:
    latest = goal.status.latest if goal else None
    if goal is None or latest is None:
        return "not measured"
    of = Count(latest.k, latest.n) if latest.k is not None and latest.n is not None else None
    text = words.value(_measure(goal.measure), latest.value)
    return f"{text} ({words.count(of)})" if of else text


def _status(goal: GoalAnswer | None) -> str:
    if goal is None:
        return "no such goal yet"
    stated = f"; stated: {words.status(goal.stated.achievement)}" if goal.stated.achievement else ""
    held = f"; goal is {goal.stated.lifecycle.replace('-', ' ')}" if goal.stated.lifecycle != "active" else ""
    return f"computed: {words.status(goal.status.code or '')}{stated}{held}"


def _scores(before: PatientAnswer | None, now: PatientAnswer) -> Iterable[ChangeRow]:
    earlier = {score.measure: score for score in before.scores} if before else {}
    for score in now.scores:
        old, name = earlier.get(score.measure), _measure(score.measure).name
        yield ChangeRow(name, _newest(old), _newest(score), _value(old) != _value(score))


def _value(score: Score | None) -> Fraction | None:
    return score.values[-1].value if score and score.values else None


def _newest(score: Score | None) -> str:
    if score is None or not score.values:
        return "not recorded"
    newest = score.values[-1]
    return f"{words.value(_measure(score.measure), newest.value)} ({words.day(newest.day)})"


def _cues(before: PatientAnswer | None, now: PatientAnswer) -> ChangeRow:
    return _row("Attention cues", _sentences(before), _sentences(now))


def _sentences(answer: PatientAnswer | None) -> str:
    return "\n".join(words.dated(cue.sentence) for cue in answer.cues) if answer and answer.cues else "none"


def _measure(code: str) -> Measure:
    return scale(code, ())
