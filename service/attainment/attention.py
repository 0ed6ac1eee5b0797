"""What attention cues look at, taken from everything on file as of a date; and when a review is due."""

from collections.abc import Iterable, Sequence
from datetime import date
from typing import Protocol, TypeVar

from service.attainment.answers import Review
from service.attainment.cues import CueFacts
from service.attainment.goals import Value
from service.attainment.inputs import CareFacts, Noted, PatientInputs, Plan
from service.attainment.series import of_visits
from service.attainment.study import Study
from service.attainment.visits import VisitResult

__all__ = ["cue_facts", "next_review", "until"]


class _Dated(Protocol):
    @property
    def day(self) -> date: ...


T = TypeVar("T", bound=_Dated)


def cue_facts(
    inputs: PatientInputs, visits: Sequence[VisitResult], studies: Sequence[Study], as_of: date
) -> CueFacts:
    """The facts as of a date; ``visits`` and ``studies`` are those up to it, in time order."""
    care, scores = inputs.care, inputs.scores
    days = [day for day in care.visits if day <= as_of]
    newest = max([*days[-1:], *(visit.day for visit in visits[-1:])], default=None)
    before = days[-2] if len(days) > 1 else None
    exertion, plan = _last(care.exertions, as_of), _active_plan(care, as_of)
    return CueFacts(
        as_of=as_of,
        studies=studies,
        diet=[value for series in care.diet.values() if (value := _last(series, as_of))],
        intake=until(scores.get("oral-intake-level", ()), as_of),
        eat10=until(scores.get("eat10-total", ()), as_of),
        weight=until(scores.get("body-weight", ()), as_of),
        red_flags=_on(newest, _last(care.red_flags, as_of)),
        pneumonia=_on(newest, _last(care.pneumonia, as_of)),
        exertion=_on(newest, exertion),
        effort_limit=_last(care.effort_limits, as_of),
        symptoms=[one for one in until(care.symptoms, as_of) if before is None or one.day > before],
        closure=of_visits("closure-accuracy", visits),
        bias=_newest_bias(visits),
        plan=plan,
        last_log=_last_log(inputs, as_of),
        screen=_last(care.screens, as_of),
        screen_needed=plan is not None or exertion is not None,
    )


def next_review(care: CareFacts, as_of: date) -> Review | None:
    """When the newest plan wants to be looked at again; None if no plan says."""
    plan = _newest_plan(care, as_of)
    if plan is None or plan.review is None:
        return None
    held = any(plan.review <= day <= as_of for day in care.visits)
    days_left = (plan.review - as_of).days
    return Review(plan.review, days_left, held, days_left < 0 and not held, (plan.reference,))


def until(found: Iterable[T], as_of: date) -> tuple[T, ...]:
    """Those not later than the date."""
    return tuple(one for one in found if one.day <= as_of)


def _last(found: Sequence[T], as_of: date) -> T | None:
    return next((one for one in reversed(found) if one.day <= as_of), None)


def _on(day: date | None, found: T | None) -> T | None:
    return found if found is not None and found.day == day else None


def _newest_plan(care: CareFacts, as_of: date) -> Plan | None:
    return max((plan for plan in care.plans if plan.start <= as_of), key=lambda one: one.start, default=None)


def _active_plan(care: CareFacts, as_of: date) -> Plan | None:
    plan = _newest_plan(care, as_of)
    over = plan is None or plan.status != "active" or (plan.end is not None and plan.end < as_of)
    return None if over else plan


def _newest_bias(visits: Sequence[VisitResult]) -> list[Value]:
    """Own judgement at the last two visits where it was measured."""
    measured = [visit for visit in visits if visit.own.bias is not None]
    return of_visits("judgement-bias", measured[-2:])


def _last_log(inputs: PatientInputs, as_of: date) -> Noted | None:
    logs = [log for log in inputs.logs if log.returned and log.end <= as_of]
    newest = max(logs, key=lambda log: log.end, default=None)
    return Noted(newest.end, (), newest.evidence[:1]) if newest else None
