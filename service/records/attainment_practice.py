"""Practice logs: the days that were logged, and those that were prescribed but not."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from fractions import Fraction
from math import ceil
from zoneinfo import ZoneInfo

from service.attainment.dose import PracticeDay
from service.attainment.inputs import PracticeLog
from service.fhir.references import local_target
from service.records.stored import Resource, component, number, reference_to, time_of, value_code

__all__ = ["practice_logs"]


def practice_logs(observed: Mapping[str, list[Resource]], zone: ZoneInfo) -> tuple[PracticeLog, ...]:
    """Every log with its days; days that are in no log (written over FHIR) make one log of their own."""
    days = {reference_to(one): day for one in observed["practice-day"] if (day := _day(one, zone))}
    logs = [log for one in observed["practice-log"] if (log := _log(one, days, zone))]
    named = {source for log in logs for day in log.days for source in day.evidence}
    loose = sorted((day for name, day in days.items() if name not in named), key=lambda day: day.day)
    if loose:
        logs.append(PracticeLog(loose[0].day, loose[-1].day, True, tuple(loose), _sources(loose)))
    return tuple(logs)


def _day(one: Resource, zone: ZoneInfo) -> PracticeDay | None:
    time, done = time_of(one, zone), number(one)
    if time is None or done is None:
        return None
    prescribed = number(component(one, "repetitions-prescribed")) or Fraction(0)
    based_on = next((local_target(plan.get("reference", "")) for plan in one.get("basedOn", ())), "")
    line = based_on or value_code(component(one, "exercise"))
    return PracticeDay(time[0], prescribed, done, line, evidence=(reference_to(one),))


def _log(one: Resource, days: Mapping[str, PracticeDay], zone: ZoneInfo) -> PracticeLog | None:
    start, end = _period(one, zone)
    if start is None or end is None or end < start:
        return None
    members = (local_target(member.get("reference", "")) for member in one.get("hasMember", ()))
    logged = [days[name] for name in members if name in days]
    total = number(component(one, "repetitions-prescribed"))
    unlogged = _unlogged(start, end, total, logged)
    return PracticeLog(
        start,
        end,
        value_code(one) != "not-returned",
        (*logged, *unlogged),
        (reference_to(one), *_sources(logged)),
    )


def _unlogged(
    start: date, end: date, total: Fraction | None, logged: Sequence[PracticeDay]
) -> list[PracticeDay]:
    """Days that hold what was prescribed but not logged.

    A plan says how many days a week, not which: the missing repetitions are spread evenly over as many days
    without a log as the daily dose needs, and never onto days that were off.
    """
    missing = (total or Fraction(0)) - sum((day.prescribed for day in logged), Fraction(0))
    if missing <= 0:
        return []
    seen = {day.day for day in logged}
    everyday = [start + timedelta(number) for number in range((end - start).days + 1)]
    free = [day for day in everyday if day not in seen] or [end]
    needed = ceil(missing / _daily_dose(logged)) if logged else len(free)
    chosen = free[: max(1, needed)]
    return [PracticeDay(day, missing / len(chosen), None) for day in chosen]


def _daily_dose(logged: Sequence[PracticeDay]) -> Fraction:
    doses: dict[date, Fraction] = defaultdict(Fraction)
    for day in logged:
        doses[day.day] += day.prescribed
    return max(doses.values()) or Fraction(1)


def _period(one: Resource, zone: ZoneInfo) -> tuple[date | None, date | None]:
    period = one.get("effectivePeriod", {})
    start, end = (time_of({"effectiveDateTime": period.get(name) or ""}, zone) for name in ("start", "end"))
    return start[0] if start else None, end[0] if end else None


def _sources(days: Sequence[PracticeDay]) -> tuple[str, ...]:
    return tuple(source for day in days for source in day.evidence)
