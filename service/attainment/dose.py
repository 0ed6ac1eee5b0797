"""Home practice: done of prescribed, in both readings of days without a log.

A day's share is capped at 1, so that a double day can't hide a missed one. No threshold is set and nobody is
called non-adherent: no standard measure exists (Curr Opin Otolaryngol 2017).
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from fractions import Fraction

__all__ = ["Adherence", "CalendarDay", "PracticeDay", "adherence", "calendar", "total"]


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

    @property
    def due(self) -> bool:
        """Whether there was anything to do."""
        return self.prescribed.numerator > 0 and not self.on_hold  # the sign of a fraction, ten times as fast

    @property
    def full(self) -> bool:
        """Whether all that was prescribed was done."""
        if self.done is None:
            return False
        # Whole numbers are compared many times as fast as fractions.
        (done, of_done), (due, of_due) = self.done.as_integer_ratio(), self.prescribed.as_integer_ratio()
        return done * of_due >= due * of_done


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


@dataclass(frozen=True, slots=True)
class CalendarDay:
    """One day over all exercises, in repetitions; ``done`` is None for a day without a log.

    What was prescribed on a day without a log is the period's rest, spread evenly: a plan says how many days
    a week, not which.
    """

    day: date
    prescribed: Fraction
    done: Fraction | None
    evidence: tuple[str, ...] = ()

    @property
    def logged(self) -> bool:
        """Whether there is a log of the day; 0 done is one."""
        return self.done is not None


def calendar(days: Iterable[PracticeDay]) -> tuple[CalendarDay, ...]:
    """Every day once, in order; days on hold have nothing prescribed."""
    found: dict[date, list[PracticeDay]] = {}
    for one in days:
        found.setdefault(one.day, []).append(one)
    return tuple(_calendar_day(day, found[day]) for day in sorted(found))


def _calendar_day(day: date, lines: Sequence[PracticeDay]) -> CalendarDay:
    logged = [one.done for one in lines if one.done is not None]
    return CalendarDay(
        day=day,
        prescribed=total(one.prescribed for one in lines if one.due),
        done=total(logged) if logged else None,
        evidence=tuple(source for one in lines for source in one.evidence),
    )


def adherence(days: Iterable[PracticeDay]) -> Adherence:
    """Compute both readings over the prescribed days of one or more lines."""
    days = tuple(days)
    due = [day for day in days if day.due]
    full = [day for day in due if day.full]
    short = [day for day in due if not day.full]
    part = [day for day in short if day.done is not None]
    prescribed = total(day.prescribed for day in due)
    in_full, in_part = total(day.prescribed for day in full), total(day.done for day in part)
    prescribed_logged = in_full + total(day.prescribed for day in part)
    done, capped = total(day.done for day in full) + in_part, in_full + in_part
    all_days, log_days = {day.day for day in due}, {day.day for day in (*full, *part)}
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
        full_dose_days=len(all_days - {day.day for day in short}),
        left_out=_left_out(days),
        reason=_reason(bool(due), bool(log_days)),
    )


def total(numbers: Iterable[Fraction | None]) -> Fraction:
    """Their exact sum. Most are whole: adding up numerators is ten times as fast as adding fractions."""
    above: dict[int, int] = {}
    for number in numbers:
        if number is not None:
            top, bottom = number.as_integer_ratio()
            above[bottom] = above.get(bottom, 0) + top
    return sum((Fraction(top, bottom) for bottom, top in above.items()), Fraction(0))


def _left_out(days: Iterable[PracticeDay]) -> Mapping[str, int]:
    days = tuple(days)
    on_hold = sum(day.on_hold for day in days)
    nothing = sum(not day.due and not day.on_hold for day in days)
    return {why: n for why, n in (("on hold", on_hold), ("nothing prescribed", nothing)) if n}


def _reason(prescribed: bool, logged: bool) -> str:
    if not prescribed:
        return "nothing was prescribed"
    return "" if logged else "no log was returned"
