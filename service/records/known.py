"""What authoring needs to know of the patient's file, as references and plain values."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from fractions import Fraction

__all__ = ["Known", "KnownLine", "KnownPlan"]


@dataclass(frozen=True, slots=True)
class KnownLine:
    """One exercise of a plan: the reference of its ServiceRequest and its dose."""

    reference: str
    daily: int
    days_per_week: int = 7


@dataclass(frozen=True, slots=True)
class KnownPlan:
    """A home plan given at an earlier visit; in force from ``start`` to ``end``, both inclusive."""

    reference: str
    start: date
    end: date | None
    lines: Mapping[str, KnownLine]

    def covers(self, day: date) -> bool:
        """Whether the plan was in force on ``day``."""
        return self.start <= day and (self.end is None or day <= self.end)


@dataclass(frozen=True, slots=True)
class Known:
    """References to what is on file from other records: patient, goals by key, plans, episode."""

    patient: str = ""
    episode: str = ""
    goals: Mapping[str, str] = field(default_factory=dict)
    plans: tuple[KnownPlan, ...] = ()

    def line(self, exercise: str, day: date) -> KnownLine | None:
        """The plan line of an exercise on a day; the newest plan in force wins."""
        for plan in reversed(self.plans):
            if plan.covers(day) and exercise in plan.lines:
                return plan.lines[exercise]
        return None

    def prescribed(self, start: date, end: date) -> int | None:
        """Repetitions the plans in force asked for, ``start`` and ``end`` included; None without a plan.

        A line of fewer than seven days a week counts that share of every day; the sum is rounded to a whole
        number.
        """
        total, covered = Fraction(0), False
        first, last = start.toordinal(), end.toordinal()
        for plan in reversed(self.plans):
            low = max(first, plan.start.toordinal())
            high = min(last, plan.end.toordinal() if plan.end else last)
            if low <= high:
                daily = sum(Fraction(line.daily * line.days_per_week, 7) for line in plan.lines.values())
                total, covered = total + daily * (high - low + 1), True
            last = min(last, plan.start.toordinal() - 1)  # from that day on this plan is in force
        return round(total) if covered else None
