"""Rows of goals, their baselines, and where each stands as of every visit, by the rules of attainment."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from fractions import Fraction
from functools import lru_cache
from typing import Any, NamedTuple

from service.attainment.criterion import Criterion
from service.attainment.goals import Goal, Target, Value
from service.attainment.intervals import wilson
from service.attainment.status import status
from service.fhir.view_definition import Row
from service.operations.goal_results import PLACES
from service.operations.parts import decimal
from service.terminology.codes import slug

__all__ = ["GoalRows"]


class _Rule(NamedTuple):
    """What decides where a goal stands, in percent and trials; all of it whole numbers."""

    target: int
    step: int
    visits: int
    min_trials: int
    dips: int
    baseline: int
    baseline_trials: int


@dataclass(slots=True)
class _Followed:
    """A goal with successful and scored trials of each probe so far, and the day of each."""

    id: str
    measure: str
    rule: _Rule
    due: str
    counts: tuple[tuple[int, int], ...] = ()
    days: tuple[str, ...] = ()


class _Standing(NamedTuple):
    """The computed status; ``latest`` is the number of the newest probe that counts as a value, from 0."""

    code: str
    rule: int
    met: bool
    in_a_row: int
    run: tuple[int, int, int] | None
    latest: int


class GoalRows:
    """The goals of one person, visit by visit in time order."""

    def __init__(self, person: str) -> None:
        """Begin without goals."""
        self._person = person
        self._goals: list[_Followed] = []

    def of_visit(self, visit: str, day: str, record: Any) -> Iterator[tuple[str, Row]]:
        """Rows of the goals set at a visit, then of where each goal stands on its day."""
        when = (day, int(day[:4]), None)
        for said in record.get("goals", ()):
            found = self._followed(said)
            self._goals.append(found)
            yield "goal", self._goal(found, said)
            yield "measurement", self._baseline(found, visit, said["baseline"], when)
        probe = [one for one in record.get("training", {}).get("trials", ()) if one["block"] == "pre"]
        for one in self._goals:
            k, n = _counts(one.measure, probe)
            if n:
                one.counts = (*one.counts, (k, n))
                one.days = (*one.days, day)
            standing = _standing(one.rule, one.counts, overdue=day > one.due)
            if standing is not None:
                yield "goal_status", self._status(one, visit, standing, when)
                yield "goal_value", self._value(one, visit, standing.latest)

    def _followed(self, said: Any) -> _Followed:
        (target,) = said["targets"]
        rule, baseline = said["criterion"], said["baseline"]
        return _Followed(
            f"{self._person}-{said['key']}-goal",
            slug(target["measure"]),
            _Rule(
                target["value"],
                rule["step"],
                rule["visits"],
                rule["min_trials"],
                rule["dips"],
                baseline["value"],
                baseline["n"],
            ),
            said["due"],
        )

    def _goal(self, found: _Followed, said: Any) -> Row:
        (target,) = said["targets"]
        rule = said["criterion"]
        start, due = said["start"], said["due"]
        return (
            found.id,
            self._person,
            None,
            said["lifecycle_status"],
            None,
            found.measure,
            target["comparator"],
            target["value"],
            "%",
            None,
            rule["visits"],
            None,
            None,
            None,
            rule["min_trials"],
            rule["dips"],
            rule["step"],
            *(start, int(start[:4]), None),
            *(due, int(due[:4]), None),
            None,
            None,
            None,
        )

    def _baseline(
        self, found: _Followed, visit: str, said: Mapping[str, Any], when: tuple[str, int, None]
    ) -> Row:
        return (
            f"{found.id}-baseline",
            self._person,
            visit,
            found.id,
            *when,
            "goal-baseline",
            said["value"],
            None,
            "%",
            None,
            None,
            said["n"],
            "final",
        )

    def _status(self, one: _Followed, visit: str, found: _Standing, when: tuple[str, int, None]) -> Row:
        run = found.run or (None, None, None)
        limits = _limits(*found.run[1:]) if found.run else (None, None)
        return (
            f"{visit}-{one.measure}-status",
            self._person,
            visit,
            one.id,
            *when,
            found.code,
            found.rule,
            found.met,
            found.in_a_row,
            *run,
            *limits,
        )

    def _value(self, one: _Followed, visit: str, latest: int) -> Row:
        day = one.days[latest]
        k, n = one.counts[latest]
        return (
            f"{visit}-{one.measure}-value",
            self._person,
            visit,
            one.id,
            *(day, int(day[:4]), None),
            one.measure,
            _percent(k, n),
            "%",
            k,
            n,
            *_limits(k, n),
        )


def _counts(measure: str, probe: list[Any]) -> tuple[int, int]:
    """Trials that count as successful, and trials that count, of an opening probe."""
    seen = [one for one in probe if one["observed"] != "not observable"]
    if measure == "closure-accuracy":
        return sum(one["observed"] == "closed" for one in seen), len(seen)
    judged = [one for one in seen if one["own_judgement"] != "unsure"]
    return sum(one["own_judgement"] == one["observed"] for one in judged), len(judged)


@lru_cache(maxsize=65_536)  # the same counts, over and over; working a status out takes most of the time
def _standing(rule: _Rule, counts: tuple[tuple[int, int], ...], *, overdue: bool) -> _Standing | None:
    """Where a goal stands after probes of these counts; None before it was measured.

    The rules look at the order of the probes, not at the days between them as long as no criterion counts
    weeks, so that they are given days of their own.
    """
    first, last = date(2000, 1, 1), date(2000, 12, 31)
    goal = Goal(
        targets=(Target("", Fraction(rule.target)),),
        step=Fraction(rule.step),
        criterion=Criterion(rule.visits, rule.min_trials, rule.dips),
        start=first,
        due=last - timedelta(1) if overdue else last,
        baseline=Value(first, Fraction(rule.baseline), n=rule.baseline_trials),
    )
    values = [
        Value(first + timedelta(number), Fraction(100 * k, n), k, n) for number, (k, n) in enumerate(counts)
    ]
    found = status(goal, [values], last)
    if found.code is None:
        return None
    run, steps = found.progress.run, found.progress
    pooled = (run.visits, run.k or 0, run.n or 0) if run else None
    latest = (found.values[-1].day - first).days
    return _Standing(found.code, found.rule, steps.met, steps.in_a_row, pooled, latest)


@lru_cache(maxsize=4_096)  # the same few counts, over and over
def _percent(k: int, n: int) -> Decimal:
    return decimal(round(Fraction(100 * k, n), PLACES))


@lru_cache(maxsize=4_096)  # the same few counts, over and over
def _limits(k: int, n: int) -> tuple[Decimal | None, Decimal | None]:
    """Ends of the 95 % interval in percent; none of no trials."""
    shares = wilson(k, n)
    if shares is None:
        return None, None
    return decimal(round(100 * shares.low, PLACES)), decimal(round(100 * shares.high, PLACES))
