"""What a Consent says, as rules that can be asked: a base, exceptions to it, and exceptions to these."""

from collections.abc import Iterator
from dataclasses import dataclass

from service.fhir.datetimes import EARLIEST, LATEST

__all__ = ["EVER", "NOT_TOLD", "PERMITS", "REFUSES", "Doubt", "Rule", "Rules"]

PERMITS = frozenset({True})
REFUSES = frozenset({False})
NOT_TOLD = PERMITS | REFUSES
"""What a rule may say: True permits, False refuses; both where it can't be told."""
EVER = (EARLIEST, LATEST)

Doubt = tuple[str, str]
"""An element that can't be judged here, as a FHIRPath, and a sentence about it."""


@dataclass(frozen=True, slots=True)
class Rule:
    """One provision; a condition that is empty holds for everybody and everything.

    ``span`` is [from, to) in UTC milliseconds; ``actors`` are references (``Type/id``) of who asks;
    ``actions`` codes of consentaction; ``labels`` and ``purposes`` are (system, code); ``types`` are resource
    types. ``doubts`` are conditions that can't be judged here: with one, a rule may hold or not.
    """

    effect: frozenset[bool]
    span: tuple[int, int] = EVER
    actors: frozenset[str] = frozenset()
    actions: frozenset[str] = frozenset()
    labels: frozenset[tuple[str, str]] = frozenset()
    purposes: frozenset[tuple[str, str]] = frozenset()
    types: frozenset[str] = frozenset()
    doubts: tuple[Doubt, ...] = ()
    exceptions: tuple["Rule", ...] = ()

    @property
    def always(self) -> bool:
        """Whether it holds for everybody and everything, at all times."""
        asked = self.actors or self.actions or self.labels or self.purposes or self.types or self.doubts
        return not asked and self.span == EVER

    def each(self) -> Iterator["Rule"]:
        """This rule and all within it."""
        yield self
        for exception in self.exceptions:
            yield from exception.each()


@dataclass(frozen=True, slots=True)
class Rules:
    """One Consent: ``base`` is what it says where no rule holds, empty if it says nothing about data.

    ``patient`` is whose it is (``Patient/id``), ``research`` whether it is about research alone, ``day`` the
    day, month or year it was made, empty if not told.
    """

    patient: str = ""
    research: bool = False
    day: str = ""
    base: frozenset[bool] = frozenset()
    outer: tuple[Rule, ...] = ()
    base_doubts: tuple[Doubt, ...] = ()

    @property
    def withhold(self) -> bool:
        """Whether there may be somebody, something or some time for which it refuses."""
        inner = any(False in rule.effect for one in self.outer for rule in one.each())
        return inner or (False in self.base and not any(one.always for one in self.outer))

    @property
    def permission(self) -> bool:
        """Whether what it says first is a permission, exceptions and limits aside."""
        return all(one.effect == PERMITS for one in self.outer) if self.outer else self.base == PERMITS

    @property
    def doubts(self) -> tuple[Doubt, ...]:
        """Everything in it that can't be judged here, in its order."""
        inner = (doubt for one in self.outer for rule in one.each() for doubt in rule.doubts)
        return (*self.base_doubts, *inner)
