"""Home practice: done of prescribed, in both readings of days without a log.

A day's share is capped at 1, so that a double day can't hide a missed one. No threshold is set and nobody is
called non-adherent: no standard measure exists (Curr Opin Otolaryngol 2017).
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from fractions import Fraction

from msgspec import Struct

__all__ = ["Adherence", "CalendarDay", "PracticeDay", "adherence", "adherence_of_logs", "calendar", "total"]


class PracticeDay(Struct, frozen=True, gc=False):  # as a trial, one of hundreds
    """One exercise on one day: repetitions prescribed and done; ``done`` is None for a day without a log.

    0 done is a value. A day on hold is not prescribed, whatever the plan says.
    """

    day: date
    prescribed: Fraction
    done: Fraction | None
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
    return _adherence(_tally(days))


def adherence_of_logs(logs: Iterable[Iterable[PracticeDay]]) -> tuple[tuple[Adherence, ...], Adherence]:
    """The readings of each log, and of all logs together."""
    tallies = [_tally(days) for days in logs]
    return tuple(_adherence(one) for one in tallies), _adherence(_pooled(tallies))


@dataclass(frozen=True, slots=True)
class _Tally:
    """Repetitions prescribed on days done in full, on others with a log, on those without, and done on each.

    ``days`` had something prescribed, ``logged`` have a log, ``short`` lack some of it; the counts are of
    what was left out.
    """

    full: Fraction
    part: Fraction
    unlogged: Fraction
    done_full: Fraction
    done_part: Fraction
    days: frozenset[date]
    logged: frozenset[date]
    short: frozenset[date]
    on_hold: int
    nothing: int


def _tally(days: Iterable[PracticeDay]) -> _Tally:
    days = tuple(days)
    due = [day for day in days if day.due]
    full: list[PracticeDay] = []
    short: list[PracticeDay] = []
    for day in due:
        (full if day.full else short).append(day)
    part = [day for day in short if day.done is not None]
    on_hold = sum(day.on_hold for day in days)
    return _Tally(
        full=total(day.prescribed for day in full),
        part=total(day.prescribed for day in part),
        unlogged=total(day.prescribed for day in short if day.done is None),
        done_full=total(day.done for day in full),
        done_part=total(day.done for day in part),
        days=frozenset(day.day for day in due),
        logged=frozenset(day.day for day in (*full, *part)),
        short=frozenset(day.day for day in short),
        on_hold=on_hold,
        nothing=len(days) - len(due) - on_hold,
    )


def _pooled(tallies: Sequence[_Tally]) -> _Tally:
    return _Tally(
        full=total(one.full for one in tallies),
        part=total(one.part for one in tallies),
        unlogged=total(one.unlogged for one in tallies),
        done_full=total(one.done_full for one in tallies),
        done_part=total(one.done_part for one in tallies),
        days=frozenset().union(*(one.days for one in tallies)),
        logged=frozenset().union(*(one.logged for one in tallies)),
        short=frozenset().union(*(one.short for one in tallies)),
        on_hold=sum(one.on_hold for one in tallies),
        nothing=sum(one.nothing for one in tallies),
    )


def _adherence(found: _Tally) -> Adherence:
    """A day's share is capped: what was done in full counts as prescribed."""
    capped, prescribed_logged = found.full + found.done_part, found.full + found.part
    done, prescribed = found.done_full + found.done_part, prescribed_logged + found.unlogged
    left_out = {"on hold": found.on_hold, "nothing prescribed": found.nothing}
    return Adherence(
        of_logged_days=capped / prescribed_logged if prescribed_logged else None,
        unlogged_as_zero=capped / prescribed if prescribed else None,
        raw=done / prescribed if prescribed else None,
        log_return=Fraction(len(found.logged), len(found.days)) if found.days else None,
        done=done,
        prescribed=prescribed,
        prescribed_logged=prescribed_logged,
        days=len(found.days),
        logged_days=len(found.logged),
        full_dose_days=len(found.days - found.short),
        left_out={why: n for why, n in left_out.items() if n},
        reason=_reason(bool(found.days), bool(found.logged)),
    )


def total(numbers: Iterable[Fraction | None]) -> Fraction:
    """Their exact sum. Most are whole: adding up numerators is ten times as fast as adding fractions."""
    above: dict[int, int] = {}
    for number in numbers:
        if number is not None:
            top, bottom = number.as_integer_ratio()
            above[bottom] = above.get(bottom, 0) + top
    return sum((Fraction(top, bottom) for bottom, top in above.items()), Fraction(0))


def _reason(prescribed: bool, logged: bool) -> str:
    if not prescribed:
        return "nothing was prescribed"
    return "" if logged else "no log was returned"
