"""A report about a panel held against the answers about each of its people.

The answers and the report are read as they leave the service and counted anew, without anything of what made
the report: its rules are those its Measure and OperationDefinition state.
"""

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from fractions import Fraction
from typing import Any

from statsmodels.stats.proportion import proportion_confint

from service.fhir.json import Tree

__all__ = ["Numbers", "Told", "expected", "reported", "told"]

Numbers = Mapping[tuple[str, ...], Fraction | float | int]
"""Kind of goal and what is counted of it -> the number; a label where only its being there counts."""
_TELLABLE = 11
"""A count of 1 to 10 people is not told about times."""
_ENDS = {"died": "died", "medical-change": "medicalChange"}


@dataclass(frozen=True, slots=True)
class Told:
    """What one person's answer says of one kind of goal: status, days to how it ended, and how."""

    kind: str
    status: str
    days: int | None
    ending: str = ""


def told(answer: Tree, starts: Mapping[str, date], begin: date) -> Iterator[Told]:
    """Each kind of goal in one ``$goal-attainment``; ``starts`` by goal, the period begins on ``begin``."""
    ends = [(_day(one["date"]), one["reason"]) for one in _parts(answer["parameter"], "ending")]
    newest: dict[str, tuple[date, str, dict[str, Any]]] = {}
    for goal in _parts(answer["parameter"], "goal"):
        if not _pursued(goal, begin):
            continue
        kind = goal["measure"]["coding"][-1]["code"]
        reference = goal["goal"]["reference"]
        newest[kind] = max(newest.get(kind, (date.min, "", {})), (starts[reference], reference, goal))
    for kind, (start, _, goal) in newest.items():
        yield _told(kind, start, goal, ends, begin)


def _pursued(goal: dict[str, Any], begin: date) -> bool:
    """Somebody has begun with it, and it was not closed before the period."""
    closed = goal["lifecycleStatus"] in {"completed", "cancelled"}
    before = "statedDate" in goal and _day(goal["statedDate"]) < begin
    return goal["lifecycleStatus"] in {"active", "on-hold", "completed", "cancelled"} and not (
        closed and before
    )


def _told(kind: str, start: date, goal: dict[str, Any], ends: list[tuple[date, str]], begin: date) -> Told:
    latest, first = goal.get("latestDate"), goal.get("firstAttained")
    status = goal["computedStatus"] if latest and _day(latest) >= begin else "not-measured"
    if first:
        return Told(kind, status, (_day(first) - start).days, "attained")
    if not latest:
        return Told(kind, status, None)
    after = [(day, reason) for day, reason in ends if day >= _day(latest) and reason in _ENDS]
    day, how = min(after, default=(_day(latest), "censored"))
    return Told(kind, status, (day - start).days, how)


def expected(people: Iterable[Told]) -> Numbers:
    """Every number a report about these people has to tell."""
    kinds: dict[str, list[Told]] = {}
    for one in people:
        kinds.setdefault(one.kind, []).append(one)
    return {(kind, *what): value for kind, found in kinds.items() for what, value in _counts(found)}


def _counts(found: list[Told]) -> Iterator[tuple[tuple[str, ...], Fraction | float | int]]:
    statuses = Counter(one.status for one in found)
    measured = len(found) - statuses["not-measured"]
    attained = statuses["achieved"] + statuses["sustaining"]
    yield ("initial-population",), len(found)
    yield ("denominator",), measured
    yield ("numerator",), attained
    yield from ((("status", status), count) for status, count in statuses.items())
    if measured:
        yield ("score",), Fraction(100 * attained, measured)
        low, high = proportion_confint(attained, measured, alpha=0.05, method="wilson")
        yield ("low",), 100 * float(low)
        yield ("high",), 100 * float(high)
    if 0 < measured < _TELLABLE:
        yield ("caution",), measured
    yield from _times([(one.days, one.ending) for one in found if one.days is not None])


def _times(spells: list[tuple[int, str]]) -> Iterator[tuple[tuple[str, ...], Fraction | int]]:
    """Kaplan and Meier 1958, Aalen and Johansen 1978, day by day."""
    if len(spells) < _TELLABLE:
        return
    endings = Counter(how for _, how in spells)
    yield ("people",), len(spells)
    for how, name in {"attained": "attained", **_ENDS}.items():
        if _tellable(endings[how]):
            yield (name,), endings[how]
    steps = list(_steps(spells))
    median = next((day for day, _, _, _, incidence in steps if incidence >= Fraction(1, 2)), None)
    yield (("median",), median) if median is not None else (("reason",), 0)
    for day, at_risk, attained, waiting, incidence in steps:
        if _tellable(at_risk):
            yield ("step", str(day), "atRisk"), at_risk
            if _tellable(attained):
                yield ("step", str(day), "attained"), attained
                yield ("step", str(day), "waiting"), waiting
                if all(_tellable(endings[how]) for how in _ENDS):
                    yield ("step", str(day), "incidence"), incidence


def _steps(spells: list[tuple[int, str]]) -> Iterator[tuple[int, int, int, Fraction, Fraction]]:
    """Day, people at risk on it, of them attained, still waiting after it, incidence by it."""
    waiting = free = Fraction(1)
    incidence = Fraction(0)
    for day in sorted({day for day, _ in spells}):
        at_risk = sum(one >= day for one, _ in spells)
        on_it = Counter(how for one, how in spells if one == day)
        waiting *= Fraction(at_risk - on_it["attained"], at_risk)
        incidence += free * Fraction(on_it["attained"], at_risk)
        free *= Fraction(at_risk - on_it.total() + on_it["censored"], at_risk)
        if on_it["attained"]:
            yield day, at_risk, on_it["attained"], waiting, incidence


def reported(report: Tree) -> Numbers:
    """Every number a MeasureReport tells of the kinds of goal that somebody has."""
    return {
        (group["code"]["coding"][-1]["code"], *what): value
        for group in report["group"]
        if any(one["count"] for one in group["population"])
        for what, value in _in_group(group)
    }


def _in_group(group: Tree) -> Iterator[tuple[tuple[str, ...], Fraction | float | int]]:
    for one in group["population"]:
        yield (one["code"]["coding"][0]["code"],), one["count"]
    for one in (one for by in group.get("stratifier", ()) for one in by["stratum"]):
        codings = one["value"].get("coding", [{"code": "not-measured"}])
        yield ("status", codings[0]["code"]), one["population"][0]["count"]
    if "measureScore" in group:
        yield ("score",), group["measureScore"]["value"]
    for one in group.get("extension", ()):
        yield from _beside(one)


def _beside(one: Tree) -> Iterator[tuple[tuple[str, ...], Fraction | float | int]]:
    if "valueRange" in one:
        yield ("low",), one["valueRange"]["low"]["value"]
        yield ("high",), one["valueRange"]["high"]["value"]
    elif "valueString" in one:
        yield ("caution",), int(one["valueString"].partition(" ")[0])
    else:
        yield from _of_time(one["extension"])


def _of_time(parts: list[Tree]) -> Iterator[tuple[tuple[str, ...], Fraction | float | int]]:
    for part in parts:
        if part["url"] == "step":
            (day, *rest) = part["extension"]
            for one in rest:
                yield ("step", str(_value(day)), one["url"]), _value(one)
        else:
            yield (part["url"],), 0 if part["url"] == "reason" else _value(part)


def _parts(parameters: list[Tree], name: str) -> Iterator[dict[str, Any]]:
    """The parts of each parameter of a name, by name; of those that repeat, the last."""
    for one in parameters:
        if one["name"] == name:
            yield {part["name"]: _value(part) for part in one["part"] if "part" not in part}


def _value(part: Tree) -> Any:
    (value,) = (part[name] for name in part if name.startswith("value"))
    return value["value"] if isinstance(value, dict) and "value" in value else value


def _day(text: str) -> date:
    return date.fromisoformat(text)


def _tellable(people: int) -> bool:
    return people == 0 or people >= _TELLABLE
