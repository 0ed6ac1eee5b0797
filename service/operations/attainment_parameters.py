"""The computed answer as a FHIR Parameters resource, named as the OperationDefinition names it.

A number that could not be computed has no part; the reason stands beside it in words.
"""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from service.attainment.answers import GoalAnswer, PatientAnswer
from service.attainment.criterion import Run
from service.attainment.measures import MEASURES, TRIAL_MEASURES
from service.attainment.status import Direction, Status
from service.attainment.trend import Trend
from service.attainment.visits import VisitResult
from service.operations.attainment_beside import (
    adherence_parts,
    detection_parts,
    judgement_parts,
    log_parts,
    luck_parts,
    reliable_change_parts,
    scaling_parts,
    visit_parts,
)
from service.operations.attainment_care import care_parts
from service.operations.attainment_change import overlap_parts, since_baseline_parts
from service.operations.attainment_study import study_parts
from service.operations.parts import (
    Part,
    code,
    counts,
    dated,
    given,
    group,
    measured,
    number,
    part,
    percent,
    quantity,
    sources,
    span,
    text,
    whole,
)
from service.terminology.codes import Codes

__all__ = ["parameters"]


def parameters(answer: PatientAnswer, *, patient: str, codes: Codes) -> dict[str, Any]:
    """The answer for the patient with this reference."""
    return {
        "resourceType": "Parameters",
        "parameter": [
            part("date", valueDate=answer.as_of.isoformat()),
            part("patient", valueReference={"reference": patient}),
            part("engine", valueString=answer.engine),
            *(group("goal", _goal(goal, answer.visits, codes)) for goal in answer.goals),
            *(group("visit", visit_parts(visit)) for visit in answer.visits),
            *(group("study", study_parts(study)) for study in answer.studies),
            group(
                "selfJudgement",
                [*judgement_parts(answer.own_pooled), *detection_parts(answer.own_detection)],
            ),
            *(group("practice", log_parts(log)) for log in answer.practice),
            group("practiceOverall", adherence_parts(answer.practice_all)),
            group("scaling", scaling_parts(answer.scaling, answer.scaling_problem)),
            *care_parts(answer),
        ],
    }


def _goal(answer: GoalAnswer, visits: Sequence[VisitResult], codes: Codes) -> list[Part]:
    status = answer.status
    unit = MEASURES[answer.measure].unit if answer.measure else "1"
    latest = status.latest
    return [
        part("goal", valueReference={"reference": answer.reference}),
        *text("description", answer.description),
        *given(answer.measure, lambda measure: part("measure", valueCodeableConcept=codes.concept(measure))),
        *measured("baseline", status.baseline, unit),
        *measured("latest", latest, unit),
        *dated("latestDate", latest.day if latest else None),
        *whole("numerator", latest.k if latest else None),
        *whole("denominator", latest.n if latest else None),
        *span("interval", answer.interval, unit),
        group("criterion", _criterion(status)),
        *code("computedStatus", status.code),
        *code("statedStatus", answer.stated.achievement),
        *code("lifecycleStatus", answer.stated.lifecycle),
        *dated("statedDate", answer.stated.day),
        *text("statedReason", answer.stated.reason),
        part("rule", valueInteger=status.rule),
        part("reason", valueString=status.reason),
        *dated("attained", status.progress.attained),
        *dated("firstAttained", status.progress.first_attained),
        *dated("regressed", status.progress.regressed),
        *_direction(status.direction, unit),
        group("trend", _trend(answer.trend, unit)),
        group("trendLast5", _trend(answer.trend_last_5, unit)),
        *dated("nextDue", status.goal.due),
        *whole("daysLeft", answer.days_left),
        *(group("leftOut", parts) for parts in _left_out(status)),
        *counts("trialsLeftOut", _trials_left_out(answer, visits)),
        *given(answer.luck, lambda found: group("luck", luck_parts(found))),
        *given(
            answer.reliable_change,
            lambda found: group("reliableChange", reliable_change_parts(found, unit)),
        ),
        *given(answer.change, lambda found: group("change", since_baseline_parts(found, unit))),
        *given(answer.overlap, lambda found: group("phaseOverlap", overlap_parts(found))),
        *(part("problem", valueString=problem) for problem in answer.problems),
        *sources(answer.evidence),
    ]


def _trials_left_out(answer: GoalAnswer, visits: Sequence[VisitResult]) -> Mapping[str, int]:
    """Trials of the latest value's visit that did not count, by why."""
    latest = answer.status.latest
    if latest is None or answer.measure not in TRIAL_MEASURES:
        return {}
    visit = next(visit for visit in visits if visit.day == latest.day)
    if answer.measure == "closure-accuracy":
        return visit.closure.left_out
    return visit.hold.left_out if answer.measure == "hold-time" else visit.own.left_out


def _criterion(status: Status) -> list[Part]:
    criterion, progress = status.goal.criterion, status.progress
    return [
        part("visits", valuePositiveInt=criterion.visits),
        part("minTrials", valuePositiveInt=criterion.min_trials),
        part("dips", valuePositiveInt=criterion.dips),
        *([part("ofVisits", valuePositiveInt=criterion.of)] if criterion.of else []),
        *([part("weeks", valuePositiveInt=criterion.weeks)] if criterion.weeks > 1 else []),
        *([part("withoutCues", valueBoolean=True)] if criterion.without_cues else []),
        part("met", valueBoolean=progress.met),
        part("inARow", valueUnsignedInt=progress.in_a_row),
        part("soFar", valueUnsignedInt=progress.so_far),
        *given(progress.run, lambda run: group("run", _run(run))),
    ]


def _run(run: Run) -> list[Part]:
    return [
        part("start", valueDate=run.start.isoformat()),
        part("end", valueDate=run.end.isoformat()),
        part("days", valueUnsignedInt=run.days),
        part("visits", valueUnsignedInt=run.visits),
        part("atTarget", valueUnsignedInt=run.at_target),
        *whole("numerator", run.k),
        *whole("denominator", run.n),
        *span("interval", percent(run.interval), "%"),
    ]


def _direction(direction: Direction | None, unit: str) -> list[Part]:
    """The inputs of the last rule, turned so that more is better."""
    if direction is None:
        return []
    parts = [
        part("s", valueInteger=direction.s),
        part("change", valueQuantity=quantity(direction.change, unit)),
        part("since", valueQuantity=quantity(direction.since, unit)),
        part("sinceWhat", valueCode=direction.since_what),
    ]
    return [group("direction", parts)]


def _trend(trend: Trend, unit: str) -> list[Part]:
    per_week = "/wk" if unit == "1" else f"{unit}/wk"
    slope = trend.slope_per_week
    return [
        part("visits", valueUnsignedInt=trend.n),
        part("s", valueInteger=trend.s),
        *number("tauB", trend.tau_b),
        *given(slope, lambda value: part("slope", valueQuantity=quantity(value, per_week))),
        *number("p", trend.p),
        *(part("reason", valueString=reason) for reason in trend.reasons.values()),
        part("method", valueString=trend.method),
    ]


def _left_out(status: Status) -> Iterator[list[Part]]:
    for out in status.left_out:
        yield [
            part("date", valueDate=out.day.isoformat()),
            part("measure", valueCode=out.measure),
            part("reason", valueString=out.why),
        ]
