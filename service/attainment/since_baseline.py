"""What changed from a goal's baseline to its latest value."""

from collections.abc import Callable, Mapping, Sequence
from datetime import date
from operator import attrgetter

from service.attainment.answers import Change
from service.attainment.change import Paired, apart, by_posture
from service.attainment.goals import Value
from service.attainment.measures import SCORES, SHARES
from service.attainment.reliable_change import ReliableChange, reliable_change
from service.attainment.status import Status
from service.attainment.trials import Trial
from service.attainment.visits import VisitResult

__all__ = ["reliably", "since_baseline"]

_SUCCEEDED: Mapping[str, Callable[[Trial], bool | None]] = {
    "closure-accuracy": attrgetter("closed"),
    "judgement-agreement": attrgetter("agreed"),
}


def since_baseline(measure: str, found: Status, visits: Sequence[VisitResult]) -> Change | None:
    """From the baseline to a later value; two probes are paired by posture where they can be."""
    first, last = found.baseline, found.latest
    if first is None or last is None or last.day <= first.day:
        return None
    difference = last.value - first.value
    if measure not in SHARES or first.k is None or first.n is None or last.k is None or last.n is None:
        return Change(first, last, difference)
    if pairs := _pairs(measure, first, last, visits):
        return Change(first, last, difference, by_posture=pairs)
    return Change(first, last, difference, apart=apart(first.k, first.n, last.k, last.n))


def reliably(measure: str, found: Status) -> ReliableChange | None:
    """The same for scores recorded as such, held against their own unsteadiness."""
    first, last = found.baseline, found.latest
    if measure not in SCORES or first is None or last is None or last.day <= first.day:
        return None
    return reliable_change(measure, float(first.value), float(last.value))


def _pairs(measure: str, first: Value, last: Value, visits: Sequence[VisitResult]) -> Paired | None:
    """Only where the baseline is the probe of its day: a recorded one may come from elsewhere."""
    before, after = _probe(visits, first.day), _probe(visits, last.day)
    succeeded = _SUCCEEDED[measure]
    seen = [one for one in map(succeeded, before) if one is not None]
    return by_posture(before, after, succeeded) if (sum(seen), len(seen)) == (first.k, first.n) else None


def _probe(visits: Sequence[VisitResult], day: date) -> Sequence[Trial]:
    return next((visit.probe.trials for visit in visits if visit.day == day), ())
