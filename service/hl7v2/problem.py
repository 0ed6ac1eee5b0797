"""What is wrong with a message that came in, as ERR segments tell it; the sentences are data."""

from collections.abc import Sequence
from functools import cache
from typing import NamedTuple

import msgspec

from service.shipped import shipped

__all__ = ["Kind", "Place", "Problem", "Refused", "problem_kinds"]


class Kind(msgspec.Struct, frozen=True):
    """A kind of problem: MSA-1 that answers it (AE or AR), its code of HL7 table 0357, and its sentence."""

    answer: str
    code: str
    meaning: str
    text: str


class Place(NamedTuple):
    """ERL: segment, which of that name, field, repetition, component; 0 is none."""

    segment: str = ""
    sequence: int = 0
    field: int = 0
    repetition: int = 0
    component: int = 0

    def __str__(self) -> str:
        """Answer ``PID-3.4``."""
        field = f"-{self.field}" if self.field else ""
        return f"{self.segment}{field}" + (f".{self.component}" if self.component else "")


class Problem(NamedTuple):
    """One problem: a kind by name, where it stands, and what its sentence names."""

    kind: str
    place: Place = Place()
    names: Sequence[str] = ()

    @property
    def text(self) -> str:
        """The sentence for whoever sent it; nothing of the message's content is in it."""
        return problem_kinds()[self.kind].text.format(*(self.names or [str(self.place)]))


class Refused(Exception):
    """A message that can't be taken; every problem that was found."""

    def __init__(self, *problems: Problem) -> None:
        """Tell of at least one problem."""
        super().__init__(", ".join(one.kind for one in problems))
        self.problems = problems


@cache
def problem_kinds() -> dict[str, Kind]:
    """Answer every kind of problem by name."""
    found: dict[str, Kind] = msgspec.json.decode(
        shipped("mappings", "hl7v2", "errors.json").read_bytes(), type=dict[str, Kind]
    )
    return found
