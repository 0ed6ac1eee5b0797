"""Rows of goals, their baselines, and where each stands as of every visit, by the rules of attainment."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from fractions import Fraction
from functools import lru_cache
from typing import Any

from service.attainment.criterion import Criterion
from service.attainment.goals import Goal, Target, Value
from service.attainment.intervals import wilson
from service.attainment.status import Status, status
from service.fhir.view_definition import Row
from service.operations.goal_results import PLACES
from service.operations.parts import decimal
from service.terminology.codes import slug

__all__ = ["GoalRows"]


@dataclass(slots=True)
class _Followed:
    """A goal with the values measured so far."""

    id: str
    measure: str
    goal: Goal
    values: list[Value] = field(default_factory=list)


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
        as_of = date.fromisoformat(day)
        probe = [one for one in record.get("training", {}).get("trials", ()) if one["block"] == "pre"]
        for one in self._goals:
            k, n = _counts(one.measure, probe)
            if n:
                one.values.append(Value(as_of, Fraction(100 * k, n), k, n))
            found_status = status(one.goal, [one.values], as_of)
            if found_status.code is not None:
                yield "goal_status", self._status(one, visit, found_status, when)
                yield "goal_value", self._value(one, visit, found_status)

    def _followed(self, said: Any) -> _Followed:
        (target,) = said["targets"]
        measure = slug(target["measure"])
        rule, baseline = said["criterion"], said["baseline"]
        return _Followed(
            f"{self._person}-{said['key']}-goal",
            measure,
            Goal(
                targets=(Target(measure, Fraction(target["value"])),),
                step=Fraction(rule["step"]),
                criterion=Criterion(rule["visits"], rule["min_trials"], rule["dips"]),
                start=date.fromisoformat(said["start"]),
                due=date.fromisoformat(said["due"]),
                baseline=Value(
                    date.fromisoformat(baseline["date"]), Fraction(baseline["value"]), n=baseline["n"]
                ),
            ),
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

    def _status(self, one: _Followed, visit: str, found: Status, when: tuple[str, int, None]) -> Row:
        run = found.progress.run
        low, high = _limits(run.k or 0, run.n or 0) if run else (None, None)
        return (
            f"{visit}-{one.measure}-status",
            self._person,
            visit,
            one.id,
            *when,
            found.code,
            found.rule,
            found.progress.met,
            found.progress.in_a_row,
            *((run.visits, run.k, run.n) if run else (None, None, None)),
            low,
            high,
        )

    def _value(self, one: _Followed, visit: str, found: Status) -> Row:
        latest = found.values[-1]
        day = latest.day.isoformat()
        k, n = latest.k or 0, latest.n or 0
        return (
            f"{visit}-{one.measure}-value",
            self._person,
            visit,
            one.id,
            *(day, latest.day.year, None),
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
