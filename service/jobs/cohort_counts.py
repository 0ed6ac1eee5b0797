"""What is left of a cohort's tables: counts of people, a few thousand rows whatever the number of people."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

__all__ = ["Counts", "Group", "Judged"]

Ended = Mapping[str, int]
"""People by ending."""


class Group(NamedTuple):
    """A kind of goal and a stratum, which is empty where none was asked for."""

    measure: str
    stratum: str


class Judged(NamedTuple):
    """Trials, and the people behind them."""

    trials: int
    people: int


@dataclass(frozen=True, slots=True)
class Counts:
    """People by group, what they are told apart by, and ending.

    ``days`` and ``visits`` are by time from a goal's beginning; ``dose``, ``of_logged_days`` and
    ``unlogged_as_zero`` by band; ``judged`` by stratum, number of the training visit and cell; ``flow``
    people by what became of them.
    """

    days: Mapping[Group, Mapping[int, Ended]]
    visits: Mapping[Group, Mapping[int, Ended]]
    dose: Mapping[Group, Mapping[str, Ended]]
    of_logged_days: Mapping[Group, Mapping[str, Ended]]
    unlogged_as_zero: Mapping[Group, Mapping[str, Ended]]
    judged: Mapping[str, Mapping[int, Mapping[str, Judged]]]
    flow: Mapping[str, int] = field(default_factory=dict)
