"""Airway entry in four physiological groups of the 8-point penetration-aspiration scale.

Scale: Rosenbek 1996. Groups A to D: from memory of Steele & Grace-Martin 2017. Scores are names in order:
they are counted and compared, never averaged or subtracted.
"""

__all__ = ["GROUPS"]

GROUPS = {1: 1, 2: 1, 4: 1, 3: 2, 5: 2, 6: 2, 7: 3, 8: 4}
"""Group (1 = A safest to 4 = D) of each score."""
