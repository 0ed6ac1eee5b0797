"""What a token allows: SMART App Launch 2 scopes, and this service's own plain words.

``system/*.cruds`` and ``user/Observation.rs`` are SMART's (scopes-and-launch-context.html): c create, r read
and history, u update, d delete, s search, in this order. Plain words name what no FHIR interaction does:

    intake           post visit records and sheets
    goal-decisions   store a computed goal attainment; state a goal's status, leave out a visit or a trial
    research-export  fetch de-identified data

A scope that can't be honoured in full grants nothing: a query part (``?category=…``) narrows rights in a way
not checked here, and ``patient/`` confines to one patient's compartment, which is not checked here either.
"""

import re
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache

from service.errors import Forbidden

__all__ = ["GOAL_DECISIONS", "INTAKE", "RESEARCH_EXPORT", "Scopes", "require"]

INTAKE = "intake"
GOAL_DECISIONS = "goal-decisions"
RESEARCH_EXPORT = "research-export"

_PLAIN = frozenset({INTAKE, GOAL_DECISIONS, RESEARCH_EXPORT})
_CLINICAL = re.compile(r"(?:user|system)/(\*|[A-Z][A-Za-z]+)\.(?=[cruds])(c?r?u?d?s?)")


@dataclass(frozen=True, slots=True)
class Scopes:
    """The rights of one token: plain words, and (interaction, type) pairs where type may be ``*``."""

    plain: frozenset[str] = frozenset()
    clinical: frozenset[tuple[str, str]] = frozenset()

    @classmethod
    def parse(cls, text: str) -> "Scopes":
        """Read a token's space-separated ``scope``; unknown words are left out."""
        words = text.split()
        found = (_CLINICAL.fullmatch(word) for word in words)
        pairs = {(letter, match[1]) for match in found if match for letter in match[2]}
        return cls(frozenset(_PLAIN.intersection(words)), frozenset(pairs))

    def allow(self, interaction: str, type_: str) -> bool:
        """Whether ``interaction`` (one of c r u d s) on a resource type is granted."""
        return (interaction, type_) in self.clinical or (interaction, "*") in self.clinical

    def grant(self, need: str) -> bool:
        """Whether a written need holds: a plain word, ``Type.letters``, or ``*.letters`` for any one type."""
        type_, dot, letters = need.partition(".")
        if not dot:
            return need in self.plain
        if type_ == "*":
            return any(interaction in letters for interaction, _ in self.clinical)
        return all(self.allow(letter, type_) for letter in letters)


def require(scopes: Scopes, alternatives: Iterable[str]) -> None:
    """Raise Forbidden unless one alternative holds; in each, all needs (joined by spaces) must hold."""
    alternatives = tuple(alternatives)
    if not any(_granted(scopes, needs) for needs in alternatives):
        wanted = " or ".join(f"'{needs}'" for needs in alternatives)
        raise Forbidden(f"Your access token does not allow this: it needs the scope {wanted}.")


@lru_cache(maxsize=10_000)
def _granted(scopes: Scopes, needs: str) -> bool:
    """Remembered: the same tokens ask for the same few things over and over."""
    return all(map(scopes.grant, needs.split()))
