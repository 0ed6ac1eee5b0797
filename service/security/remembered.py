"""What was found a moment ago about who cares for whom and which Consents withhold something.

It is asked at every request and changes seldom. What this process writes counts at once; what others write
counts after ``SECONDS`` at most. That somebody is in nobody's care is never remembered.
"""

import time
from collections.abc import Awaitable, Callable, Iterable, Mapping
from dataclasses import dataclass, field

from service.fhir.references import local_target
from service.security.care import CareReach
from service.security.consent_rules import Rules
from service.security.principal import Principal
from service.security.reach import Reach, reach_of

__all__ = ["SECONDS", "Remembered", "Withheld"]

SECONDS = 2.0
_MOST = 100_000
_OF_CARE = frozenset({"CareTeam", "Patient", "PractitionerRole", "RelatedPerson", "Organization"})
_OF_CONSENT = frozenset({"Consent"})

Withheld = Mapping[str, tuple[Rules, ...]]
"""The Consents that withhold something, by the id of their patient."""


@dataclass(slots=True)
class Remembered:
    """``now`` answers seconds that only rise."""

    now: Callable[[], float] = time.monotonic
    turn: int = 0
    """Rises with whatever makes what is being looked up uncertain."""
    _cared: dict[tuple[str, str], float] = field(default_factory=dict)
    _withheld: dict[bool, tuple[float, Withheld]] = field(default_factory=dict)
    _reaches: dict[Principal | tuple[Principal, bool, str], Reach] = field(default_factory=dict)

    def reach(
        self, principal: Principal, base: str, care: CareReach, *, broken: bool, only: str = ""
    ) -> Reach:
        """Answer ``reach_of`` this caller, whose person is named below ``base``; callers ask many times.

        ``base`` and ``care`` are the service's own, the same whoever asks.
        """
        key = (principal, broken, only) if broken or only else principal
        found = self._reaches.get(key)
        if found is None:
            if len(self._reaches) > _MOST:
                self._reaches.clear()
            person = local_target(principal.fhir_user, base)
            found = reach_of(principal, person, care, broken=broken, only=only)
            self._reaches[key] = found
        return found

    def cares(self, whose: str, patient: str) -> bool:
        """Whether the patient was among these a moment ago."""
        return self._cared.get((whose, patient), 0.0) > self.now()

    def learn(self, whose: str, patients: Iterable[str], turn: int) -> None:
        """Keep that these patients are among them, unless ``turn`` is over."""
        if turn != self.turn:
            return
        if len(self._cared) > _MOST:
            self._cared.clear()
        end = self.now() + SECONDS
        self._cared.update(((whose, patient), end) for patient in patients)

    async def withheld(self, load: Callable[[], Awaitable[Withheld]], *, research: bool) -> Withheld:
        """Answer the Consents, with those about research if asked, loaded if they were not a moment ago."""
        known = self._withheld.get(research)
        if known is not None and known[0] > self.now():
            return known[1]
        turn = self.turn
        found = await load()
        if turn == self.turn:
            self._withheld[research] = (self.now() + SECONDS, found)
        return found

    def forget(self, types: frozenset[str]) -> None:
        """Resources of these types were written."""
        if types & _OF_CARE:
            self._cared.clear()
            self.turn += 1
        if types & _OF_CONSENT:
            self._withheld.clear()
            self.turn += 1
