"""What a clinician looks at first, as parts of the computed answer: cues, scores, phases, reviews."""

from service.attainment.answers import PatientAnswer, Review, Score
from service.attainment.cues import NO_CUE_IS_NOT_SAFETY, Cue
from service.attainment.goals import Value
from service.attainment.inputs import Ending, ExcludedVisit
from service.attainment.phases import Phase
from service.operations.attainment_beside import reliable_change_parts
from service.operations.parts import Part, code, dated, given, group, part, quantity, sources, text

__all__ = ["care_parts"]


def care_parts(answer: PatientAnswer) -> list[Part]:
    """The sentence about cues always stands with them, and where there are none."""
    return [
        part("cueNote", valueString=NO_CUE_IS_NOT_SAFETY),
        *(group("cue", _cue(cue)) for cue in answer.cues),
        *(group("score", _score(score)) for score in answer.scores),
        *(group("phase", _phase(phase)) for phase in answer.phases),
        *given(answer.review, lambda review: group("review", _review(review))),
        *(group("excludedVisit", _excluded(visit)) for visit in answer.excluded),
        *(group("ending", _ending(end)) for end in answer.endings),
    ]


def _cue(found: Cue) -> list[Part]:
    return [
        part("code", valueCode=found.code),
        part("sentence", valueString=found.sentence),
        *sources(found.evidence),
    ]


def _score(found: Score) -> list[Part]:
    """Every value of a score or weight, and whether it changed by more than its own unsteadiness."""
    return [
        part("measure", valueCode=found.measure),
        *(group("value", _value(value, found.unit)) for value in found.values),
        *given(
            found.reliable_change,
            lambda change: group("reliableChange", reliable_change_parts(change, found.unit)),
        ),
    ]


def _value(found: Value, unit: str) -> list[Part]:
    return [
        part("date", valueDate=found.day.isoformat()),
        part("value", valueQuantity=quantity(found.value, unit)),
        *sources(found.evidence),
    ]


def _phase(found: Phase) -> list[Part]:
    """Values dated later than ``after`` and not later than ``until``."""
    return [
        part("label", valueString=found.label),
        *dated("after", found.after),
        *dated("until", found.until),
        *sources(found.evidence),
    ]


def _review(found: Review) -> list[Part]:
    return [
        part("date", valueDate=found.day.isoformat()),
        part("daysLeft", valueInteger=found.days_left),
        part("held", valueBoolean=found.held),
        part("overdue", valueBoolean=found.overdue),
        *sources(found.evidence),
    ]


def _excluded(found: ExcludedVisit) -> list[Part]:
    return [
        part("date", valueDate=found.day.isoformat()),
        part("visit", valueReference={"reference": found.reference}),
        *text("reason", found.reason),
        *sources(found.evidence),
    ]


def _ending(found: Ending) -> list[Part]:
    return [
        part("date", valueDate=found.day.isoformat()),
        *code("reason", found.reason),
        *sources(found.evidence),
    ]
