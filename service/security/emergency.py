"""A glass that was broken on the page: one person's record, for a reason, for a short while."""

from collections.abc import MutableMapping
from hashlib import sha256
from typing import Any

import msgspec

__all__ = ["LASTS_S", "Emergency", "emergency_of", "holder"]

LASTS_S = 900
"""How long it lasts, if it is not left before."""
SCOPE = "service.emergency"


class Emergency(msgspec.Struct, frozen=True):
    """Whose record is open, to whom (``holder`` of their token), why, and until when (seconds since 1970)."""

    patient: str
    holder: str
    reason: str
    until: float


def holder(token: str) -> str:
    """Answer what tells the holder of a token from others, and does not tell the token."""
    return sha256(b"emergency " + token.encode()).hexdigest()


def emergency_of(scope: MutableMapping[str, Any]) -> Emergency | None:
    """The emergency in which a request is made, as the page found it."""
    return scope.get(SCOPE)
