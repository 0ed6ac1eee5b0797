"""Sends parcels to a FHIR R4 endpoint, so that each resource is there once, whatever happens on the way.

An answer that got lost is no trouble: what is new is created on condition that its business identifier is not
there yet, and what is there already is read and compared (``delivery_compare.py``).
"""

import time
from collections.abc import AsyncIterator, Iterable, Sequence
from dataclasses import dataclass, field, replace

import msgspec

from service.errors import DeliveryFailed, DeliveryRefused
from service.fhir.references import local_target, reference_texts
from service.jobs.delivery_answers import Unmet, asked, check_login, tree_of
from service.jobs.delivery_compare import Comparison, Verdict
from service.jobs.delivery_item import Item, There, item_for, there_of
from service.jobs.delivery_look import Looker
from service.jobs.delivery_mapping import mapped
from service.jobs.delivery_peer import Peer, peer_of
from service.jobs.delivery_sender import Parcel, Receipt
from service.jobs.delivery_writer import Answer, writer_for
from service.jobs.destination import Destination, Mapping
from service.jobs.http_client import Client
from service.store.entries import Opened

__all__ = ["FhirSender"]

_FRESH_S = 3_600.0
"""For so long what the endpoint says it can do is believed."""
_ROUNDS = 4
"""So often what is there is looked at before a parcel is left for later."""


class FhirSender:
    """Sends to one endpoint; its CapabilityStatement is read before the first parcel, and every hour."""

    def __init__(self, destination: Destination, store: Opened, client: Client) -> None:
        """``client`` is connected to the FHIR base; ``store`` is asked for older versions."""
        self._destination = destination
        self._store = store
        self._client = client
        self._known: Peer | None = None
        self._read = 0.0

    async def test(self) -> str:
        """See Sender."""
        self._known = None
        peer = await self._peer()
        # what it can do is told to everybody; only a read tells whether the login is good
        await check_login(lambda: self._client.get("/Patient/nobody"))
        how = "transactions" if peer.transaction else "single writes"
        return f"answers with a CapabilityStatement: {how}, {len(peer.types)} types; it accepts the login"

    async def looker(self) -> Looker:
        """Answer what looks at what is there."""
        return Looker(self._client, await self._peer())

    async def close(self) -> None:
        """See Sender."""
        await self._client.aclose()

    async def send(self, parcel: Parcel) -> AsyncIterator[Sequence[Receipt]]:
        """See Sender."""
        peer = await self._peer()
        items, left = _sorted_out(parcel, peer, self._destination.mapping)
        if left:
            yield left
        sending = _Sending(self._destination, self._store, self._client, peer, _addresses(parcel))
        most = self._destination.limits.entries if peer.transaction else 1
        names = {item.change.name for item in items}
        early: list[Item] = []
        for at in range(0, len(items), most):
            some = items[at : at + most]
            early += sending.too_early(some, names)
            async for receipts in sending.send(some):
                yield receipts
        # What refers to something that came after it (a circle) is told where that is now.
        async for receipts in sending.send([sending.as_it_is(item) for item in early]):
            yield receipts
        if sending.refused:
            raise DeliveryRefused(" ".join(sorted(sending.refused)))

    async def _peer(self) -> Peer:
        if self._known is None or time.monotonic() > self._read + _FRESH_S:
            try:
                answer = await asked(lambda: self._client.get("/metadata"))
                self._known, self._read = peer_of(tree_of(answer, "CapabilityStatement")), time.monotonic()
            except Unmet:
                raise DeliveryFailed("The receiving end does not tell what it can do.") from None
        return self._known


def _sorted_out(parcel: Parcel, peer: Peer, mapping: Mapping) -> tuple[list[Item], list[Receipt]]:
    """What is sent, and receipts of what is left out."""
    items: list[Item] = []
    left: list[Receipt] = []
    for change in parcel.changes:
        found = item_for(change, mapped(change.tree, mapping), peer)
        if isinstance(found, Item):
            items.append(found)
        else:
            there = msgspec.structs.replace(there_of(change.there), left_out=found)
            left.append(Receipt(change, _text(there), sent=False))
    return items, left


def _addresses(parcel: Parcel) -> dict[str, str]:
    """Where what was sent before is, or was found there, by ``Type/id`` here."""
    noted = parcel.elsewhere | {one.name: one.there for one in parcel.changes}
    found = ((name.partition("/")[0], name, there_of(text).id) for name, text in noted.items())
    return {name: f"{type_}/{id_}" for type_, name, id_ in found if id_}


def _text(there: There) -> str:
    return msgspec.json.encode(there).decode()


@dataclass(slots=True)
class _Sending:
    """One parcel on its way. ``addresses`` learns where things are, ``refused`` why some can't be sent."""

    destination: Destination
    store: Opened
    client: Client
    peer: Peer
    addresses: dict[str, str]
    there: dict[str, There] = field(default_factory=dict)
    refused: set[str] = field(default_factory=set)

    async def send(self, items: Sequence[Item]) -> AsyncIterator[list[Receipt]]:
        """Send items until each is there or refused."""
        for _ in range(_ROUNDS):
            if not items:
                return
            answers = await self._answers(items)
            self._learn(items, answers)
            receipts: list[Receipt] = []
            again: list[Item] = []
            for verdict, known in await self._judged(list(zip(items, answers, strict=True))):
                if verdict in (Verdict.THERE, Verdict.LINKED):
                    receipts.append(self._receipt(known))
                elif verdict is Verdict.AGAIN:
                    again.append(known)
                else:
                    self.refused.add(verdict.said(known.type))
            if receipts:
                yield receipts
            items = again
        if items:
            raise DeliveryFailed("What is sent is changed there at the same time.", alone=True)

    async def _answers(self, items: Sequence[Item]) -> list[Answer]:
        try:
            return await writer_for(self.client, self.peer).write(items, self.addresses)
        except Unmet:  # some entry's condition: nothing of the transaction was written
            return [Answer(unmet=True)] * len(items)

    def _learn(self, items: Sequence[Item], answers: Sequence[Answer]) -> None:
        for item, answer in zip(items, answers, strict=True):
            if answer.id and not item.change.version.deleted:
                self.addresses[item.change.name] = f"{item.type}/{answer.id}"

    async def _judged(self, answered: list[tuple[Item, Answer]]) -> list[tuple[Verdict, Item]]:
        doubtful = [(item, one) for item, one in answered if one.existed or one.unmet]
        written = [(item, one) for item, one in answered if not (one.existed or one.unmet)]
        there = [(Verdict.THERE, replace(item, there=There(one.id, one.etag))) for item, one in written]
        if not doubtful:
            return there
        looker = Looker(self.client, self.peer)
        comparison = Comparison(self.destination, looker, self.store, self.addresses)
        return [*there, *await comparison.judge(doubtful)]

    def _receipt(self, item: Item) -> Receipt:
        self.there[item.change.name] = item.there
        loose = tuple(sorted(_targets(item) - self.addresses.keys()))
        noted = msgspec.structs.replace(item.there, loose=loose)
        return Receipt(item.change, _text(noted), sent=not item.there.linked)

    def too_early(self, items: Iterable[Item], names: set[str]) -> list[Item]:
        """Those that refer to what is on its way and comes after them."""
        known = self.addresses.keys() | {item.change.name for item in items}
        return [item for item in items if (_targets(item) & names) - known]

    def as_it_is(self, item: Item) -> Item:
        """The item with what is known of it since it was sent."""
        return replace(item, there=self.there.get(item.change.name, item.there))


def _targets(item: Item) -> set[str]:
    return {target for text in reference_texts(item.tree) if (target := local_target(text))}
