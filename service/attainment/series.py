"""The values of each measure, visit by visit, in the measure's unit."""

from collections.abc import Iterable, Sequence

from service.attainment.answers import PracticeAnswer
from service.attainment.goals import Target, Value
from service.attainment.inputs import PatientInputs
from service.attainment.study import worst_groups
from service.attainment.trials import Trial
from service.attainment.visits import VisitResult

__all__ = ["of_visits", "series"]


def series(
    target: Target, inputs: PatientInputs, visits: Sequence[VisitResult], practice: Sequence[PracticeAnswer]
) -> list[Value]:
    """Every value of the target's measure; none for a measure that is not known."""
    match target.measure:
        case "closure-accuracy" | "judgement-agreement" | "judgement-bias" | "hold-time":
            return of_visits(target.measure, visits)
        case "practice-adherence":
            return [value for value in map(_practice, practice) if value is not None]
        case "airway-entry-group":
            return worst_groups(inputs.studies, target.consistency)
        case _:
            return list(inputs.scores.get(target.measure, ()))


def of_visits(measure: str, visits: Iterable[VisitResult]) -> list[Value]:
    """The values of a measure that is taken from the trials of a probe."""
    values = (_OF_VISIT[measure](visit) for visit in visits)
    return [value for value in values if value is not None]


def _closure(visit: VisitResult) -> Value | None:
    found = visit.closure
    if found.share is None:
        return None
    sources = (trial.evidence for trial in visit.probe.trials if trial.scored)
    return Value(visit.day, 100 * found.share, found.k, found.n, _named(sources), visit.without_cues)


def _agreement(visit: VisitResult) -> Value | None:
    own = visit.own
    if own.agreement is None:
        return None
    alike = own.cells.both_closed + own.cells.both_open
    sources = _judged(visit.probe.trials)
    return Value(visit.day, 100 * own.agreement, alike, own.n, sources, visit.without_cues)


def _bias(visit: VisitResult) -> Value | None:
    own = visit.own
    if own.bias is None:
        return None
    return Value(visit.day, own.bias, None, own.n, _judged(visit.probe.trials), visit.without_cues)


def _hold(visit: VisitResult) -> Value | None:
    """Median of the closed trials; as for closure, the trials behind it are the scored ones."""
    if visit.hold.seconds is None:
        return None
    sources = (trial.evidence for trial in visit.probe.trials if trial.observed == "closed")
    n = visit.closure.n
    return Value(visit.day, visit.hold.seconds, None, n, _named(sources), visit.without_cues)


def _practice(practice: PracticeAnswer) -> Value | None:
    """Unlogged days count as zero: a target is only met if it is met in the less kind reading.

    A log that was not returned is missing, not zero.
    """
    share = practice.adherence.unlogged_as_zero
    if share is None or not practice.log.returned:
        return None
    return Value(practice.log.end, 100 * share, evidence=practice.log.evidence)


def _judged(trials: Iterable[Trial]) -> tuple[str, ...]:
    pairs = ((trial.evidence, trial.judgement_evidence) for trial in trials if trial.compared)
    return _named(source for pair in pairs for source in pair)


def _named(sources: Iterable[str]) -> tuple[str, ...]:
    return tuple(source for source in sources if source)


_OF_VISIT = {
    "closure-accuracy": _closure,
    "judgement-agreement": _agreement,
    "judgement-bias": _bias,
    "hold-time": _hold,
}
