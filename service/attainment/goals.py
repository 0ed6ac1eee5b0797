"""A goal as the rules need it: what is measured, the value wanted, and how often it must be reached."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date
from fractions import Fraction

from service.attainment.criterion import Criterion

__all__ = ["Goal", "Target", "Value"]


@dataclass(frozen=True, slots=True)
class Value:
    """A measure's exact value at one visit, with the trials behind it (None for a measure without trials).

    ``without_cues``: whether all of these trials were done without cues; None if that is not known, or the
    measure has no trials.
    """

    day: date
    value: Fraction
    k: int | None = None
    n: int | None = None
    evidence: tuple[str, ...] = ()
    without_cues: bool | None = None


@dataclass(frozen=True, slots=True)
class Target:
    """The value wanted of one measure.

    ``strict``: equal is not enough. ``absolute``: the sign is ignored. ``consistency`` (an IDDSI level) is
    for measures of a named consistency.
    """

    measure: str
    value: Fraction
    higher_is_better: bool = True
    strict: bool = False
    absolute: bool = False
    consistency: int | None = None

    def oriented(self, value: Fraction) -> Fraction:
        """The value turned so that more is better."""
        size = abs(value) if self.absolute else value
        return size if self.higher_is_better else -size

    def met_by(self, value: Fraction) -> bool:
        """Whether the value is at or beyond the target, on its better side."""
        reached, wanted = self.oriented(value), self.oriented(self.value)
        return reached > wanted if self.strict else reached >= wanted


@dataclass(frozen=True, slots=True)
class Goal:
    """A goal as the rules need it; the first target gives the direction, all must be met together.

    ``step`` is the smallest change (of the first target's measure) that counts as one.
    """

    targets: tuple[Target, ...]
    step: Fraction
    criterion: Criterion = field(default_factory=Criterion)
    start: date | None = None
    due: date | None = None
    lifecycle: str = "active"
    baseline: Value | None = None

    def met_by(self, values: Sequence[Value | None]) -> bool:
        """Whether all of a day's values (one per target; None is not measured) are at their targets."""
        found = [(target, one) for target, one in zip(self.targets, values, strict=True) if one is not None]
        met = bool(found) and all(target.met_by(one.value) for target, one in found)
        return met and not (
            self.criterion.without_cues and any(one.without_cues is False for _, one in found)
        )
