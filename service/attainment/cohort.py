"""Goal attainment of many people over a period, counted one person at a time.

Each person counts once for each kind of goal, with the newest goal of that kind. Nothing is averaged: what is
kept are counts, so that memory does not grow with the people.
"""

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date

from service.attainment.answers import GoalAnswer, PatientAnswer
from service.attainment.inputs import Ending
from service.attainment.intervals import Interval, wilson
from service.attainment.measures import MEASURES
from service.attainment.time_to_attainment import COMPETING, Spell, TimeToAttainment, time_to_attainment

__all__ = ["NOT_MEASURED", "Case", "Cohort", "Group", "Span", "cases"]

NOT_MEASURED = "not-measured"
"""Stands for the status of a goal that was not measured in the period."""
_ATTAINED = {"achieved", "sustaining"}
_NOT_PURSUED = {"proposed", "planned", "accepted", "rejected", "entered-in-error"}
_CLOSED = {"completed", "cancelled"}


@dataclass(frozen=True, slots=True)
class Span:
    """A period of whole days, both inclusive."""

    start: date
    end: date

    def has(self, day: date) -> bool:
        """Whether the day lies in it."""
        return self.start <= day <= self.end


@dataclass(frozen=True, slots=True)
class Case:
    """What one person adds to one kind of goal.

    ``status`` is the computed one, NOT_MEASURED where no value of the period counts. ``spell``: how long it
    took from the goal's start, None where that can't be told.
    """

    kind: str
    goal: GoalAnswer
    status: str
    spell: Spell | None

    @property
    def measured(self) -> bool:
        """Whether a value of the period counts."""
        return self.status != NOT_MEASURED

    @property
    def attained(self) -> bool:
        """Whether the goal was met at the end of the period, and still is."""
        return self.status in _ATTAINED


@dataclass(frozen=True, slots=True)
class Group:
    """One kind of goal: people with such a goal, those measured in the period, those who had attained it.

    ``share`` is Wilson's interval of attained among measured, as a share; None without anybody measured.
    ``statuses`` are people by computed status. ``time`` looks at all who were ever measured.
    """

    kind: str
    people: int
    measured: int
    attained: int
    share: Interval | None
    statuses: Mapping[str, int]
    time: TimeToAttainment


def cases(answer: PatientAnswer, span: Span) -> tuple[Case, ...]:
    """The person's newest goal of each kind, of those pursued in the period.

    ``answer`` is computed as of the end of the period. A goal that was closed before it, or that nobody has
    begun to pursue, is none.
    """
    newest: dict[str, GoalAnswer] = {}
    for goal in sorted(answer.goals, key=lambda one: (one.status.goal.start or date.min, one.reference)):
        if goal.measure in MEASURES and _pursued(goal, span):
            newest[goal.measure] = goal
    return tuple(_case(newest[kind], answer.endings, span) for kind in MEASURES if kind in newest)


def _pursued(goal: GoalAnswer, span: Span) -> bool:
    said = goal.stated
    before = said.day is not None and said.day < span.start
    return said.lifecycle not in _NOT_PURSUED and not (said.lifecycle in _CLOSED and before)


def _case(goal: GoalAnswer, endings: Iterable[Ending], span: Span) -> Case:
    found = goal.status
    measured = found.code is not None and any(span.has(value.day) for value in found.values)
    return Case(goal.measure, goal, str(found.code) if measured else NOT_MEASURED, _spell(goal, endings))


def _spell(goal: GoalAnswer, endings: Iterable[Ending]) -> Spell | None:
    """Attained, ended by death or a medical change after which nothing was measured, else still waiting."""
    found = goal.status
    start, attained = found.goal.start, found.progress.first_attained
    if start is None or not found.values:
        return None
    if attained:
        return Spell((attained - start).days, "attained")
    last = max(value.day for value in found.values)
    for end in endings:
        for kind in COMPETING:
            if end.reason == kind and end.day >= last:
                return Spell((end.day - start).days, kind)
    return Spell((last - start).days, "censored")


@dataclass(slots=True)
class Cohort:
    """The counts so far."""

    people: int = 0
    _statuses: dict[str, Counter[str]] = field(default_factory=lambda: {kind: Counter() for kind in MEASURES})
    _spells: dict[str, Counter[Spell]] = field(default_factory=lambda: {kind: Counter() for kind in MEASURES})

    def add(self, found: Iterable[Case]) -> None:
        """Count one person."""
        self.people += 1
        for case in found:
            self._statuses[case.kind][case.status] += 1
            if case.spell:
                self._spells[case.kind][case.spell] += 1

    def groups(self) -> tuple[Group, ...]:
        """Every kind of goal, also those nobody has."""
        return tuple(self._group(kind) for kind in MEASURES)

    def _group(self, kind: str) -> Group:
        statuses = self._statuses[kind]
        people = statuses.total()
        measured = people - statuses[NOT_MEASURED]
        attained = sum(statuses[status] for status in _ATTAINED)
        return Group(
            kind,
            people,
            measured,
            attained,
            wilson(attained, measured) if measured else None,
            {status: count for status, count in sorted(statuses.items()) if count},
            time_to_attainment(self._spells[kind].elements()),
        )
