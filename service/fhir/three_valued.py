"""Answers of three values: yes, no, and None where that can't be told (Kleene's strong logic)."""

from collections.abc import Iterable

__all__ = ["Holds", "all_of", "any_of", "not_"]

Holds = bool | None
"""Yes, no, or None: that can't be told."""


def any_of(said: Iterable[Holds]) -> Holds:
    """Yes if one is yes, no if all are no."""
    unsure = False
    for one in said:
        if one:
            return True
        unsure = unsure or one is None
    return None if unsure else False


def all_of(said: Iterable[Holds]) -> Holds:
    """Yes if all are yes, no if one is no."""
    return not_(any_of(not_(one) for one in said))


def not_(said: Holds) -> Holds:
    """The opposite; what can't be told stays so."""
    return None if said is None else not said
