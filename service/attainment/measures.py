"""What a goal can be about: each measure's unit, better side and smallest change that counts as one.

``step`` (delta): one trial of five for shares of trials; 9 points for the EAT-10 (approximate reliable
change from Belafsky 2008 and a retest study of 2021); one level or group for ordinal scales. No agreed
important difference exists for closure accuracy, intake level or airway scores: these are design choices,
and a goal can carry its own.
"""

from dataclasses import dataclass
from fractions import Fraction

__all__ = ["MEASURES", "SCORES", "SHARES", "TRIAL_MEASURES", "UNITS", "Measure"]


@dataclass(frozen=True, slots=True)
class Measure:
    """One thing a goal can measure. ``absolute``: only the size counts, not the sign."""

    code: str
    unit: str
    higher_is_better: bool
    step: Fraction
    absolute: bool = False


MEASURES = {
    measure.code: measure
    for measure in (
        Measure("closure-accuracy", "%", True, Fraction(20)),
        Measure("judgement-agreement", "%", True, Fraction(20)),
        Measure("judgement-bias", "1", False, Fraction(1, 5), absolute=True),
        Measure("hold-time", "s", True, Fraction(1)),
        Measure("oral-intake-level", "{score}", True, Fraction(1)),
        Measure("eat10-total", "{score}", False, Fraction(9)),
        Measure("practice-adherence", "%", True, Fraction(20)),
        Measure("airway-entry-group", "1", False, Fraction(1)),
    )
}

UNITS = {**{code: measure.unit for code, measure in MEASURES.items()}, "body-weight": "kg"}
"""UCUM unit of everything that is measured, with or without a goal."""

SHARES = ("closure-accuracy", "judgement-agreement")
"""Measures that are k of n trials, and so have an interval."""

TRIAL_MEASURES = (*SHARES, "judgement-bias", "hold-time")
"""Measures taken from the trials of a probe."""

SCORES = ("oral-intake-level", "eat10-total")
"""Measures that are recorded as such, not computed."""
