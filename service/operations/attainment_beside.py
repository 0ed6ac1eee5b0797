"""What stands beside the goals in the answer: visits, own judgement, practice, scaling."""

from service.attainment.answers import PracticeAnswer
from service.attainment.detection import Detection
from service.attainment.dose import Adherence
from service.attainment.luck import Luck
from service.attainment.reliable_change import ReliableChange
from service.attainment.scaling import Scaling
from service.attainment.self_judgement import SelfJudgement
from service.attainment.visits import VisitResult
from service.operations.attainment_change import change_parts
from service.operations.parts import (
    Part,
    counts,
    decimal,
    given,
    group,
    number,
    part,
    percent,
    points,
    quantity,
    sources,
    span,
    text,
    whole,
)

__all__ = [
    "adherence_parts",
    "detection_parts",
    "judgement_parts",
    "log_parts",
    "luck_parts",
    "reliable_change_parts",
    "scaling_parts",
    "visit_parts",
]


def visit_parts(visit: VisitResult) -> list[Part]:
    """The probe; the block after training apart from it."""
    after = visit.after_closure
    return [
        part("date", valueDate=visit.day.isoformat()),
        part("numerator", valueInteger=visit.closure.k),
        part("denominator", valueInteger=visit.closure.n),
        *span("interval", percent(visit.closure.wilson), "%"),
        *counts("leftOut", visit.closure.left_out),
        *given(visit.hold.seconds, lambda value: part("holdTime", valueQuantity=quantity(value, "s"))),
        group("selfJudgement", judgement_parts(visit.own)),
        *whole("afterNumerator", after.k if after else None),
        *whole("afterDenominator", after.n if after else None),
        *points("acquisition", visit.acquisition),
        *points("retention", visit.retention),
        *change_parts(visit.by_posture, visit.apart),
        *(group("cueLevel", _cue_level(level, n)) for level, n in visit.cue_levels.items() if level),
    ]


def _cue_level(level: str, n: int) -> list[Part]:
    return [part("level", valueCode=level), part("count", valueUnsignedInt=n)]


def judgement_parts(own: SelfJudgement) -> list[Part]:
    """Own judgement against observation."""
    cells = own.cells
    return [
        part("trials", valueUnsignedInt=own.n),
        part("bothClosed", valueUnsignedInt=cells.both_closed),
        part("saidClosedWasOpen", valueUnsignedInt=cells.said_closed_was_open),
        part("saidOpenWasClosed", valueUnsignedInt=cells.said_open_was_closed),
        part("bothOpen", valueUnsignedInt=cells.both_open),
        *points("agreement", own.agreement),
        *number("kappa", own.kappa),
        *text("kappaReason", own.reasons.get("kappa", "")),
        *number("pabak", own.pabak),
        *points("sensitivity", own.sensitivity),
        *points("specificity", own.specificity),
        *number("bias", own.bias),
        *counts("leftOut", own.left_out),
        part("method", valueString=own.method),
    ]


def detection_parts(found: Detection) -> list[Part]:
    """Own judgement as signal detection."""
    return [
        *number("dPrime", found.d_prime),
        *number("responseCriterion", found.criterion),
        *number("threshold", found.threshold),
        *text("detectionReason", found.reason),
    ]


def luck_parts(found: Luck) -> list[Part]:
    """How often luck meets the criterion."""
    return [
        *points("rate", found.rate),
        part("visits", valuePositiveInt=found.visits),
        *points("oneVisit", found.visit),
        *points("criterion", found.within),
        part("method", valueString=found.method),
    ]


def reliable_change_parts(found: ReliableChange, unit: str) -> list[Part]:
    """Whether a score changed by more than its own unsteadiness."""
    return [
        *number("index", found.index),
        *given(found.threshold, lambda value: part("threshold", valueQuantity=quantity(value, unit))),
        *given(found.reliable, lambda value: part("reliable", valueBoolean=value)),
        *([part("approximate", valueBoolean=True)] if found.approximate else []),
        *text("source", found.source),
        *text("reason", found.reason),
        part("method", valueString=found.method),
    ]


def log_parts(practice: PracticeAnswer) -> list[Part]:
    """One practice log; its days are the practice-day Observations it has as members."""
    log = practice.log
    return [
        part("start", valueDate=log.start.isoformat()),
        part("end", valueDate=log.end.isoformat()),
        part("returned", valueBoolean=log.returned),
        *adherence_parts(practice.adherence),
        *sources(log.evidence),
    ]


def adherence_parts(found: Adherence) -> list[Part]:
    """Both readings of days without a log, always together."""
    return [
        *points("ofLoggedDays", found.of_logged_days),
        *points("unloggedAsZero", found.unlogged_as_zero),
        *points("raw", found.raw),
        *points("logReturn", found.log_return),
        part("done", valueDecimal=decimal(found.done)),
        part("prescribed", valueDecimal=decimal(found.prescribed)),
        part("days", valueUnsignedInt=found.days),
        part("loggedDays", valueUnsignedInt=found.logged_days),
        part("fullDoseDays", valueUnsignedInt=found.full_dose_days),
        *counts("leftOut", found.left_out),
        *text("reason", found.reason),
        part("method", valueString=found.method),
    ]


def scaling_parts(found: Scaling | None, problem: str) -> list[Part]:
    """Goal attainment scaling, or why it can't be scored."""
    if found is None:
        return [part("reason", valueString=problem)]
    return [
        *number("start", found.start),
        *number("now", found.now),
        *number("change", found.change),
        *(part("goal", valueReference={"reference": goal}) for goal in found.goals),
        *(group("weight", _weight(*one)) for one in zip(found.goals, found.weights, strict=True)),
        *(group("leftOut", _unrated(goal, why)) for goal, why in found.left_out.items()),
        *text("reason", found.reason),
        part("method", valueString=found.method),
    ]


def _weight(goal: str, weight: int) -> list[Part]:
    return [part("goal", valueReference={"reference": goal}), part("weight", valueUnsignedInt=weight)]


def _unrated(goal: str, why: str) -> list[Part]:
    return [part("goal", valueReference={"reference": goal}), part("reason", valueString=why)]
