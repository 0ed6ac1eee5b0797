"""Home practice: done of prescribed, in both readings of days without a log.

A day's share is capped at 1, so that a double day can't hide a missed one. No threshold is set and nobody is
called non-adherent: no standard measure exists (Curr Opin Otolaryngol 2017).
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from fractions import Fraction

__all__ = ["Adherence", "PracticeDay", "adherence"]


@dataclass(frozen=True, slots=True)
class PracticeDay:
    """One exercise on one day: repetitions prescribed and done; ``done`` is None for a day without a log.

    0 done is a value. A day on hold is not prescribed, whatever the plan says.
    """

    day: date
    prescribed: Fraction
    done: Fraction | None
    line: str = ""
    on_hold: bool = False
    evidence: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Adherence:
    """Done of prescribed; shares are exact, 0 to 1 (``raw`` may exceed 1), None with a ``reason``.

    ``of_logged_days`` and ``unlogged_as_zero`` are always read together. Within one prescription both are
    the mean of the days' capped shares; where the prescription changes, its parts are pooled by what each
    prescribed. ``raw`` is the uncapped total of done over all that was prescribed. ``log_return`` is days
    with a log of prescribed days; ``full_dose_days`` counts days on which all that was prescribed was done.
    """

    of_logged_days: Fraction | None
    unlogged_as_zero: Fraction | None
    raw: Fraction | None
    log_return: Fraction | None
    done: Fraction
    prescribed: Fraction
    prescribed_logged: Fraction
    days: int
    logged_days: int
    full_dose_days: int
    left_out: Mapping[str, int]
    reason: str = ""
    method: str = "done of prescribed, capped daily"


def adherence(days: Iterable[PracticeDay]) -> Adherence:
    """Compute both readings over the prescribed days of one or more lines."""
    days = tuple(days)
    due = [day for day in days if day.prescribed > 0 and not day.on_hold]
    logged = [day for day in due if day.done is not None]
    prescribed = sum((day.prescribed for day in due), Fraction(0))
    prescribed_logged = sum((day.prescribed for day in logged), Fraction(0))
    capped = sum((min(_done(day), day.prescribed) for day in logged), Fraction(0))
    done = sum((_done(day) for day in logged), Fraction(0))
    all_days, log_days = {day.day for day in due}, {day.day for day in logged}
    return Adherence(
        of_logged_days=capped / prescribed_logged if prescribed_logged else None,
        unlogged_as_zero=capped / prescribed if prescribed else None,
        raw=done / prescribed if prescribed else None,
        log_return=Fraction(len(log_days), len(all_days)) if all_days else None,
        done=done,
        prescribed=prescribed,
        prescribed_logged=prescribed_logged,
        days=len(all_days),
        logged_days=len(log_days),
        full_dose_days=_full_dose_days(due),
        left_out=_left_out(days),
        reason=_reason(bool(due), bool(logged)),
    )


def _done(day: PracticeDay) -> Fraction:
    return day.done or Fraction(0)


def _full_dose_days(due: Iterable[PracticeDay]) -> int:
    full: dict[date, bool] = {}
    for day in due:
        full[day.day] = full.get(day.day, True) and _done(day) >= day.prescribed
    return sum(full.values())


def _left_out(days: Iterable[PracticeDay]) -> Mapping[str, int]:
    days = tuple(days)
    on_hold = sum(day.on_hold for day in days)
    nothing = sum(day.prescribed <= 0 and not day.on_hold for day in days)
    return {why: n for why, n in (("on hold", on_hold), ("nothing prescribed", nothing)) if n}


def _reason(prescribed: bool, logged: bool) -> str:
    if not prescribed:
        return "nothing was prescribed"
    return "" if logged else "no log was returned"
