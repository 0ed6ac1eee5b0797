"""What every way of delivering can do; a FHIR endpoint is one, HL7 v2 and folders are others."""

from collections.abc import AsyncIterator, Sequence
from dataclasses import dataclass
from typing import Protocol

from service.fhir.json import Tree
from service.store.contract import Version

__all__ = ["Change", "Parcel", "Receipt", "Sender"]


@dataclass(frozen=True, slots=True)
class Change:
    """What one resource has become since a destination was told of it.

    ``version`` is the newest one and ``tree`` what it says; for a deletion its text and tree are empty.
    ``sent`` is the version that the destination has, 0 for none; then it is new to it. ``there`` is what the
    sender noted when it sent that (see Receipt), empty if nothing.
    """

    version: Version
    tree: Tree
    sent: int = 0
    there: str = ""

    @property
    def name(self) -> str:
        """``Type/id``."""
        return f"{self.version.type}/{self.version.id}"


@dataclass(frozen=True, slots=True)
class Parcel:
    """What a destination has still to be told of one patient (the empty id: of nobody), all of it.

    In such an order that what is referred to comes before what refers to it, as far as there is one;
    deletions come last, in the order they were made. ``elsewhere`` is what the sender noted of resources that
    are referred to and have not changed, by ``Type/id``.
    """

    patient: str
    changes: tuple[Change, ...]
    elsewhere: dict[str, str]


@dataclass(frozen=True, slots=True)
class Receipt:
    """That a destination has a change now, or needs no more be told of it.

    ``there`` is what the sender wants to know of it the next time (JSON, nothing that is about anybody but
    ids). ``sent``: it arrived now, not before, and was not left out.
    """

    change: Change
    there: str = ""
    sent: bool = True


class Sender(Protocol):
    """Sends parcels to one destination; many at once, but one a patient at a time."""

    def send(self, parcel: Parcel) -> AsyncIterator[Sequence[Receipt]]:
        """Send a parcel, some changes at a time; what has arrived is answered at once.

        Receipts are kept durably before the next changes are sent. A parcel may come again of which part has
        arrived, or all, if this process was killed between the answer and its receipt: sending again must
        have the same effect as sending once.

        Raises:
            DeliveryFailed: the destination takes nothing now; it is tried again later.
            DeliveryRefused: it refuses this, and will again: the patient is parked until somebody has done
                something. The sentence names nothing that is about anybody.
        """
        ...

    async def test(self) -> str:
        """Ask whether the destination would take what is sent, sending nothing; a sentence for a person.

        Raises DeliveryFailed.
        """
        ...

    async def close(self) -> None:
        """Let connections go."""
        ...
