"""Practice logs: the days that were logged, and those that were prescribed but not."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from fractions import Fraction
from math import ceil
from zoneinfo import ZoneInfo

from service.attainment.dose import PracticeDay, total
from service.attainment.inputs import PracticeLog
from service.records.seen import Seen, day_of

__all__ = ["practice_logs"]

_LONGEST_DAYS = 3_660
"""A log of more than ten years is no log."""


def practice_logs(observed: Mapping[str, list[Seen]], zone: ZoneInfo) -> tuple[PracticeLog, ...]:
    """Every log with its days; days that are in no log (written over FHIR) make one log of their own."""
    found = (_day(one) for one in observed["practice-day"])
    days = {day.evidence[0]: day for day in found if day}
    logs = [log for one in observed["practice-log"] if (log := _log(one, days, zone))]
    named = {source for log in logs for day in log.days for source in day.evidence}
    loose = sorted((day for name, day in days.items() if name not in named), key=lambda day: day.day)
    if loose:
        logs.append(PracticeLog(loose[0].day, loose[-1].day, True, tuple(loose), _sources(loose)))
    return tuple(logs)


def _day(one: Seen) -> PracticeDay | None:
    done = one.observation.number()
    if done is None:
        return None
    prescribed = one.part("repetitions-prescribed").number() or Fraction(0)
    return PracticeDay(one.day, prescribed, done, evidence=(one.reference,))


def _log(one: Seen, days: Mapping[str, PracticeDay], zone: ZoneInfo) -> PracticeLog | None:
    end = day_of(one.observation.effective_period.end, zone)
    if end is None or not 0 <= (end - one.day).days < _LONGEST_DAYS:
        return None
    members = (member.target for member in one.observation.has_member)
    logged = [days[name] for name in members if name in days]
    prescribed = one.part("repetitions-prescribed").number() or Fraction(0)
    return PracticeLog(
        one.day,
        end,
        one.observation.answer != "not-returned",
        (*logged, *_unlogged(one.day, end, prescribed, logged)),
        (one.reference, *_sources(logged)),
    )


def _unlogged(
    start: date, end: date, prescribed: Fraction, logged: Sequence[PracticeDay]
) -> list[PracticeDay]:
    """Days that hold what was prescribed but not logged.

    A plan says how many days a week, not which: the missing repetitions are spread evenly over as many days
    without a log as the daily dose needs, and never onto days that were off.
    """
    missing = prescribed - total(day.prescribed for day in logged)
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


def _sources(days: Sequence[PracticeDay]) -> tuple[str, ...]:
    return tuple(source for day in days for source in day.evidence)
