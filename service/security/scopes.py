"""What a token allows: SMART App Launch scopes, and this service's own plain words.

``system/*.cruds`` and ``user/Observation.rs`` are SMART 2's (scopes-and-launch-context.html): c create, r
read and history, u update, d delete, s search, in this order. SMART 1's ``.read``, ``.write`` and ``.*`` are
taken for ``.rs``, ``.cud`` and ``.cruds``, as SMART 2 says. Plain words name what no FHIR interaction does:

    intake           post visit records and sheets
    goal-decisions   store a computed goal attainment; state a goal's status, leave out a visit or a trial
    research-export  fetch de-identified data
    audit-read       read and search what was recorded of accesses
    operate          run the service: measurements, keys, upkeep
    break-glass      reach beyond one's patients in an emergency, for a reason, which is recorded
    restricted       see what is labelled R (restricted); very-restricted: what is labelled V

A query part narrows a scope to what a search with it would find, ``user/Observation.rs?category=…``. Only
parameters of kind token that the type has can be checked everywhere; a scope with another query part grants
nothing, as every scope does that can't be honoured in full.
"""

import re
from collections.abc import Collection
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Literal, cast
from urllib.parse import parse_qsl, urlencode

from service.errors import Forbidden
from service.fhir.search_parameters import common_parameters, parameters, stored_types

__all__ = [
    "AUDIT_READ",
    "BREAK_GLASS",
    "GOAL_DECISIONS",
    "INTAKE",
    "OPERATE",
    "PLAIN",
    "RESEARCH_EXPORT",
    "RESTRICTED",
    "VERY_RESTRICTED",
    "Grant",
    "Level",
    "Scopes",
    "granted",
    "require",
]

INTAKE = "intake"
GOAL_DECISIONS = "goal-decisions"
RESEARCH_EXPORT = "research-export"
AUDIT_READ = "audit-read"
OPERATE = "operate"
BREAK_GLASS = "break-glass"
RESTRICTED = "restricted"
VERY_RESTRICTED = "very-restricted"

PLAIN = frozenset(
    {
        INTAKE,
        GOAL_DECISIONS,
        RESEARCH_EXPORT,
        AUDIT_READ,
        OPERATE,
        BREAK_GLASS,
        RESTRICTED,
        VERY_RESTRICTED,
    }
)
Level = Literal["patient", "user", "system"]
_CLINICAL = re.compile(
    r"(patient|user|system)/(\*|[A-Z][A-Za-z]+)\.(?:(?=[cruds])(c?r?u?d?s?)(?:\?(.+))?|(read|write|\*))"
)
_FIRST_VERSION = {"read": "rs", "write": "cud", "*": "cruds"}


@dataclass(frozen=True, slots=True)
class Grant:
    """One SMART scope, read.

    ``type`` is a resource type or ``*``; ``actions`` are letters of c r u d s; ``filters`` is the query part,
    its names and values as a search has them, all of which must hold.
    """

    level: Level
    type: str
    actions: frozenset[str]
    filters: tuple[tuple[str, str], ...] = ()

    def within(self, other: "Grant") -> bool:
        """Whether all it opens is opened by another."""
        return (
            self.level == other.level
            and other.type in {"*", self.type}
            and self.actions <= other.actions
            and set(other.filters) <= set(self.filters)
        )

    @property
    def text(self) -> str:
        """The scope that is read as this."""
        query = f"?{urlencode(self.filters)}" if self.filters else ""
        letters = "".join(one for one in "cruds" if one in self.actions)
        return f"{self.level}/{self.type}.{letters}{query}"

    def covers(self, action: str, type_: str) -> bool:
        """Whether it speaks of ``action`` (one of c r u d s) on a resource type."""
        return action in self.actions and self.type in {"*", type_}


_AUDITOR = Grant("system", "AuditEvent", frozenset("rs"))


@dataclass(frozen=True, slots=True)
class Scopes:
    """The rights of one token: plain words and grants.

    ``pairs`` are what the grants come to, (action, type), with neither patients nor query parts looked at.
    """

    plain: frozenset[str] = frozenset()
    grants: tuple[Grant, ...] = ()
    pairs: frozenset[tuple[str, str]] = field(init=False, repr=False)
    _hash: int = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        """Gather the pairs."""
        pairs = frozenset((action, grant.type) for grant in self.grants for action in grant.actions)
        object.__setattr__(self, "pairs", pairs)
        object.__setattr__(self, "_hash", hash((self.plain, self.grants)))

    def __hash__(self) -> int:
        """Counted once: every request looks for what these rights come to."""
        return self._hash

    @classmethod
    @lru_cache(maxsize=1_000)
    def parse(cls, text: str, *, patient: bool = True) -> "Scopes":
        """Read a token's space-separated ``scope``; unknown words are left out.

        Remembered, so that those of the same text are the same object and nobody has to compare them.
        ``patient``: whether the token names a patient, without which ``patient/`` scopes grant nothing.
        """
        words = dict.fromkeys(text.split())
        found = (grant for word in words if (grant := _grant(word)))
        grants = tuple(grant for grant in found if patient or grant.level != "patient")
        plain = PLAIN.intersection(words)
        return cls(plain, (*grants, _AUDITOR) if AUDIT_READ in plain else grants)

    @property
    def text(self) -> str:
        """A token's ``scope`` that is read as these rights."""
        return " ".join([*sorted(self.plain), *(one.text for one in self.grants)])

    def allow(self, action: str, type_: str) -> bool:
        """Whether ``action`` (one of c r u d s) on some resources of a type is granted."""
        return (action, type_) in self.pairs or (action, "*") in self.pairs

    def grants_for(self, action: str, type_: str) -> tuple[Grant, ...]:
        """Answer the grants that speak of ``action`` on a type; each says of which resources."""
        return tuple(grant for grant in self.grants if grant.covers(action, type_))

    def cover(self, words: str) -> bool:
        """Whether every one of these scopes can be read and lies whole within these rights."""
        return all(self._covers(Scopes.parse(word)) for word in words.split())

    def within(self, others: "Scopes") -> "Scopes":
        """Answer what of these rights lies whole within others."""
        grants = tuple(grant for grant in self.grants if any(map(grant.within, others.grants)))
        return Scopes(self.plain & others.plain, grants)

    def _covers(self, asked: "Scopes") -> bool:
        return asked != Scopes() and asked.within(self) == asked

    def grant(self, need: str) -> bool:
        """Whether a written need holds: a plain word, ``Type.letters``, or ``*.letters`` for any one type."""
        type_, dot, letters = need.partition(".")
        if not dot:
            return need in self.plain
        if type_ == "*":
            return any(action in letters for action, _ in self.pairs)
        return all(self.allow(letter, type_) for letter in letters)


def require(scopes: Scopes, alternatives: Collection[str]) -> None:
    """Raise Forbidden unless one alternative holds; in each, all needs (joined by spaces) must hold."""
    for needs in alternatives:
        if granted(scopes, needs):
            return
    if not alternatives:
        raise Forbidden("Nobody may use this address yet: it names no scope.")
    wanted = " or ".join(f"'{needs}'" for needs in alternatives)
    raise Forbidden(f"Your access token does not allow this: it needs the scope {wanted}.")


@lru_cache(maxsize=10_000)
def granted(scopes: Scopes, needs: str) -> bool:
    """Whether all needs (joined by spaces) hold; remembered, as the same tokens ask over and over."""
    return all(map(scopes.grant, needs.split()))


def _grant(word: str) -> Grant | None:
    match = _CLINICAL.fullmatch(word)
    if match is None:
        return None
    level, type_, letters, query, first_version = match.groups()
    filters = _filters(type_, query) if query else ()
    if filters is None:
        return None
    return Grant(cast("Level", level), type_, frozenset(letters or _FIRST_VERSION[first_version]), filters)


def _filters(type_: str, query: str) -> tuple[tuple[str, str], ...] | None:
    """Read a query part; None if it is not one that can be checked of every resource of the type."""
    try:
        pairs = parse_qsl(query, keep_blank_values=True, strict_parsing=True, errors="strict")
    except ValueError:
        return None
    known = parameters(type_) if type_ in stored_types() else common_parameters("Patient")
    checked = all(value and name in known and known[name].kind == "token" for name, value in pairs)
    return tuple(pairs) if checked else None
