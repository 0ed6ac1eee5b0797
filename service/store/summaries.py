"""What lists of patients show: one derived row a patient, filed beside the resources and never one of them.

A row holds for a day and for the rules it was computed by. Every write notes the patients whose resources it
changed, in its own transaction (``touched``); keeping a row takes away the notes that were there before what
it was computed from was read. So a row is up to date if and only if it is of the day and rules asked for and
nothing is noted of its patient. Rows are in no backup: what is missing is made anew.
"""

import secrets
from dataclasses import dataclass, field
from typing import Literal

from service.fhir.search_query import Condition

__all__ = ["Listed", "Order", "Seen", "Summary", "SummaryPage", "SummaryQuery"]

Order = Literal["name", "visit", "review", "status", "cues"]


@dataclass(frozen=True, slots=True)
class Summary:
    """The row of one patient, and what it is found and ordered by.

    ``day`` and ``basis`` say as of when and by which rules it was computed; days are ISO 8601 texts.
    ``name`` is folded. ``concern`` is the place of the gravest goal status, ``cues`` the number of attention
    cues. ``tags`` are words without spaces. ``content`` is what the list shows, JSON of its maker.
    """

    patient: str
    day: str
    basis: str
    content: str
    name: str = ""
    last_visit: str | None = None
    next_review: str | None = None
    concern: int = 0
    cues: int = 0
    tags: frozenset[str] = frozenset()
    edition: int = field(default_factory=lambda: secrets.randbits(62), compare=False)


@dataclass(frozen=True, slots=True)
class Seen:
    """What was there of a patient's row before it is computed anew: its edition, and the changes noted."""

    patient: str
    edition: int
    changes: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class SummaryQuery:
    """A list: all conditions must hold. Only patients on file are listed.

    Rows of another ``day`` or ``basis`` are behind. ``tags``: all of them. ``name``: folded words, each in
    the name. ``seen_before``: the last visit was earlier, or there was none. ``behind``: only those whose row
    is behind or missing. ``among``: only Patients of whom all of these hold. Rows without the value that
    orders them come last, both ways.
    """

    day: str
    basis: str
    tags: tuple[str, ...] = ()
    name: tuple[str, ...] = ()
    seen_before: str = ""
    behind: bool = False
    order: Order = "name"
    descending: bool = False
    count: int = 50
    offset: int = 0
    among: tuple[Condition, ...] = ()


@dataclass(frozen=True, slots=True)
class Listed:
    """A patient in a list; ``content`` is None where no row was made yet."""

    patient: str
    content: str | None
    behind: bool


@dataclass(frozen=True, slots=True)
class SummaryPage:
    """One page of a list; ``total`` counts its patients, ``behind`` all whose row is behind or missing."""

    listed: tuple[Listed, ...]
    total: int
    behind: int
