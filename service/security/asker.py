"""Who asked for work that is done later, as their token said then, and what they see of the store."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

import msgspec

from service.fhir.references import local_target
from service.security import judge
from service.security.care import CareReach
from service.security.confined_store import ConfinedStore
from service.security.principal import Principal
from service.security.reach import reach_of
from service.security.remembered import Remembered
from service.security.scopes import Scopes
from service.store.contract import Store

__all__ = ["Asker", "Here", "asker_of", "seen_by"]


class Asker(msgspec.Struct, frozen=True):
    """Who asked, as their token said; ``agent`` is their reference here."""

    issuer: str
    subject: str
    client: str
    scopes: str
    fhir_user: str = ""
    purpose: str = ""
    agent: str = ""

    def is_same(self, issuer: str, subject: str, client: str) -> bool:
        """Whether a token names the same."""
        return (self.issuer, self.subject, self.client) == (issuer, subject, client)

    @property
    def principal(self) -> Principal:
        """The caller as they were then, without an end."""
        return Principal(
            self.subject,
            self.issuer,
            Scopes.parse(self.scopes),
            self.fhir_user,
            0.0,
            client=self.client,
            purpose=self.purpose,
        )


@dataclass(frozen=True, slots=True)
class Here:
    """Where resources are judged; see Here of ``judge.py``."""

    zone: ZoneInfo
    base: str
    now: Callable[[], datetime]


def asker_of(caller: Principal, scopes: Scopes, base: str) -> Asker:
    """Answer who asks, with those of their rights that count; ``base`` is the FHIR base as they see it."""
    return Asker(
        caller.issuer,
        caller.subject,
        caller.client,
        scopes.text,
        caller.fhir_user,
        caller.purpose,
        local_target(caller.fhir_user, base),
    )


def seen_by(store: Store, asker: Asker, here: judge.Here, care: CareReach, remembered: Remembered) -> Store:
    """The store as who asked sees it."""
    return ConfinedStore(store, reach_of(asker.principal, asker.agent, care), here, remembered)
