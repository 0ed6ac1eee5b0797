"""A subscription as it is worked at: what is asked for, by whom, and what they see of the store."""

from dataclasses import dataclass
from datetime import date

import msgspec

from service.attainment.cues import CueLimits
from service.fhir.subscription import Subscription
from service.security.asker import Asker, Here
from service.store.contract import Store, Version
from service.store.subscriptions import Kept

__all__ = ["Subscriber", "SubscriptionJob"]


class Subscriber(msgspec.Struct, frozen=True):
    """Who a subscription is for, and the FHIR base as they see it."""

    asker: Asker
    base: str


@dataclass(frozen=True, slots=True)
class SubscriptionJob:
    """A current Subscription.

    ``version`` of it asks for ``asked``; ``seen`` is what is stored as ``asker`` sees it.
    """

    kept: Kept
    version: Version
    asked: Subscription
    asker: Asker
    here: Here
    seen: Store
    limits: CueLimits | None

    def may(self, type_: str) -> bool:
        """Whether who asked may read a type at all."""
        return self.asker.principal.scopes.allow("r", type_)

    @property
    def address(self) -> str:
        """Where the subscription is read."""
        return f"{self.here.base}/Subscription/{self.kept.id}"

    @property
    def today(self) -> date:
        """The day at the site."""
        return self.here.now().astimezone(self.here.zone).date()
