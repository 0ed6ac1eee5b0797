"""The criterion: how often a target must be met, and when it was.

Visits with fewer scored trials than the criterion asks neither extend a run nor break it.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date

from service.attainment.intervals import Interval, wilson

__all__ = ["CountedVisit", "Criterion", "Progress", "Run", "progress"]


@dataclass(frozen=True, slots=True)
class Criterion:
    """``visits`` in a row at target, each of ``min_trials`` scored; ``dips`` below in a row reopen it.

    ``of``: that many visits at target among so many in a row instead, the last of them at target; 0 for none
    missed. ``weeks``: the visits at target lie in at least so many calendar weeks (Monday to Sunday).
    ``without_cues``: a visit is at target only if its trials were done without cues.
    """

    visits: int = 2
    min_trials: int = 5
    dips: int = 2
    of: int = 0
    weeks: int = 1
    without_cues: bool = False


@dataclass(frozen=True, slots=True)
class CountedVisit:
    """A visit that counts: whether every target was met, and the trials behind it where there are any."""

    day: date
    met: bool
    k: int | None = None
    n: int | None = None


@dataclass(frozen=True, slots=True)
class Run:
    """The visits that met the criterion: first and last day, and their pooled trials with Wilson's interval.

    ``visits`` counts them, ``at_target`` those at target; all are pooled.
    """

    start: date
    end: date
    visits: int
    at_target: int
    k: int | None
    n: int | None
    interval: Interval | None

    @property
    def days(self) -> int:
        """Days from the first to the last visit of the run."""
        return (self.end - self.start).days


@dataclass(frozen=True, slots=True)
class Progress:
    """Where a goal stands after its visits.

    ``met`` is the present state. ``attained`` is the day the newest run reached the criterion,
    ``first_attained`` the first time it did, ``regressed`` the day a met goal last opened again.
    ``in_a_row`` counts visits at target up to the last one that counts, ``so_far`` those that count towards
    the criterion now, ``dips`` those below since the goal was met, ``later`` the visits that count after
    ``attained``. ``run`` is the run that attained it.
    """

    met: bool = False
    attained: date | None = None
    first_attained: date | None = None
    regressed: date | None = None
    in_a_row: int = 0
    so_far: int = 0
    dips: int = 0
    later: int = 0
    run: Run | None = None


def progress(visits: Iterable[CountedVisit], criterion: Criterion) -> Progress:
    """Walk the visits in time order."""
    walk = _Walk(criterion)
    for visit in sorted(visits, key=lambda visit: visit.day):
        walk.step(visit)
    return walk.progress()


@dataclass
class _Walk:
    """``current`` are the visits a run can still be made of."""

    criterion: Criterion
    current: list[CountedVisit] = field(default_factory=list)
    in_a_row: int = 0
    first_attained: date | None = None
    regressed: date | None = None
    run: Run | None = None
    met: bool = False
    dips: int = 0
    later: int = 0

    def step(self, visit: CountedVisit) -> None:
        self.in_a_row = self.in_a_row + 1 if visit.met else 0
        if self.criterion.of:
            self.current = [*self.current, visit][-self.criterion.of :]
        else:
            self.current = [*self.current, visit] if visit.met else []
        if self.met:
            self.later += 1
            self._dip(visit)
        elif run := _run(self.current, self.criterion):
            self.met, self.dips, self.later = True, 0, 0
            self.run = _pool(run)
            self.first_attained = self.first_attained or visit.day

    def _dip(self, visit: CountedVisit) -> None:
        self.dips = 0 if visit.met else self.dips + 1
        if self.dips >= self.criterion.dips:
            self.met, self.regressed, self.current = False, visit.day, []

    def progress(self) -> Progress:
        return Progress(
            met=self.met,
            attained=self.run.end if self.run else None,
            first_attained=self.first_attained,
            regressed=self.regressed,
            in_a_row=self.in_a_row,
            so_far=sum(visit.met for visit in self.current),
            dips=self.dips,
            later=self.later,
            run=self.run,
        )


def _run(current: Sequence[CountedVisit], criterion: Criterion) -> Sequence[CountedVisit]:
    """The shortest run up to the last visit, at target at both ends; empty if the criterion is not met."""
    if not current or not current[-1].met:
        return ()
    for start in range(len(current) - criterion.visits, -1, -1):
        run = current[start:]
        days = [visit.day for visit in run if visit.met]
        weeks = {day.isocalendar()[:2] for day in days}
        if run[0].met and len(days) >= criterion.visits and len(weeks) >= criterion.weeks:
            return run
    return ()


def _pool(visits: Sequence[CountedVisit]) -> Run:
    parts = [(visit.k, visit.n) for visit in visits if visit.k is not None and visit.n is not None]
    pooled = len(parts) == len(visits)
    k, n = sum(part[0] for part in parts), sum(part[1] for part in parts)
    return Run(
        start=visits[0].day,
        end=visits[-1].day,
        visits=len(visits),
        at_target=sum(visit.met for visit in visits),
        k=k if pooled else None,
        n=n if pooled else None,
        interval=wilson(k, n) if pooled else None,
    )
