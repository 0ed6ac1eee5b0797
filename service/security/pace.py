"""How often somebody may ask: a bucket of requests for each caller, filled at a steady rate.

Each bucket is one number, the time at which it is full again (the generic cell rate algorithm of ITU-T I.371,
section A.2). Buckets are of one process: several processes let through as many times as much.
"""

from collections.abc import Callable, Hashable

from service.errors import TooManyRequests
from service.security.principal import Principal
from service.security.tokens import TokenVerifier

__all__ = ["Pace", "PacedVerifier"]

_MOST_KEPT = 10_000


class Pace:
    """Lets each caller have ``per_second`` requests a second, and so many seconds' worth at once."""

    def __init__(self, per_second: float, burst_s: float, now: Callable[[], float]) -> None:
        """``per_second`` 0 lets everybody through. ``now`` answers seconds that only go forward."""
        self._step = 1 / per_second if per_second else 0.0
        self._room = max(burst_s, self._step)
        self._now = now
        self._full_at: dict[Hashable, float] = {}

    def wait(self, who: Hashable) -> float:
        """Answer the seconds until ``who`` may ask again, 0 if at once."""
        full_at = self._full_at.get(who)
        if full_at is None:
            return 0.0
        return max(0.0, round(full_at + self._step - self._room - self._now(), 6))

    def take(self, who: Hashable) -> None:
        """Count one request of ``who``; TooManyRequests if it comes too soon."""
        if self._step:
            self.ask(who)
            self.count(who)

    def ask(self, who: Hashable) -> None:
        """TooManyRequests if a request of ``who`` would come too soon."""
        if wait := self.wait(who):
            raise TooManyRequests("Too many requests; send fewer, and this one again later.", wait)

    def count(self, who: Hashable) -> None:
        """Count one request of ``who``, even if it came too soon."""
        if not self._step:
            return
        now = self._now()
        if who not in self._full_at and len(self._full_at) >= _MOST_KEPT:
            self._make_room(now)
        self._full_at[who] = min(max(self._full_at.get(who, now), now) + self._step, now + self._room)

    def _make_room(self, now: float) -> None:
        """Forget whose bucket is full; if there is nobody, who came first."""
        self._full_at = {who: full_at for who, full_at in self._full_at.items() if full_at > now}
        if len(self._full_at) >= _MOST_KEPT:
            self._full_at.pop(next(iter(self._full_at)))


class PacedVerifier(TokenVerifier):
    """Verifies access tokens, and lets each client act for each person only so often."""

    pace: Pace | None = None

    async def verify(self, token: str) -> Principal:
        """See TokenVerifier; TooManyRequests if the caller asks too often."""
        principal = await super().verify(token)
        if self.pace is not None:
            self.pace.take((principal.issuer, principal.client, principal.subject))
        return principal
