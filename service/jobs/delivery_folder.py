"""Delivers FHIR into a folder.

A file holds one transaction Bundle of conditional updates, so that whoever takes it in finds by business
identifier what they have, and taking it in twice has the same effect as once.
"""

import secrets
from collections.abc import AsyncIterator, Sequence
from pathlib import Path
from typing import Any

import msgspec

from service.fhir import json
from service.jobs.delivery_item import There, criterion_of, there_of, wanted_of
from service.jobs.delivery_mapping import mapped
from service.jobs.delivery_sender import Change, Parcel, Receipt
from service.jobs.destination import Destination
from service.jobs.out_folder import OutFolder

__all__ = ["FolderSender"]


class FolderSender:
    """Writes parcels as FHIR."""

    def __init__(self, destination: Destination) -> None:
        """Take where to."""
        self._destination = destination
        self._folder = OutFolder(Path(destination.address))

    async def test(self) -> str:
        """See Sender."""
        return await self._folder.test()

    async def close(self) -> None:
        """See Sender."""

    async def send(self, parcel: Parcel) -> AsyncIterator[Sequence[Receipt]]:
        """See Sender."""
        addresses = {name: there_of(text).id for name, text in parcel.elsewhere.items()}
        addresses |= {one.name: address for one in parcel.changes if (address := self._address(one))}
        most = self._destination.limits.entries
        for at in range(0, len(parcel.changes), most):
            some = parcel.changes[at : at + most]
            entries = [self._entry(one, addresses) for one in some]
            bundle = json.dump({"resourceType": "Bundle", "type": "transaction", "entry": entries})
            await self._folder.put(bundle, f"{secrets.token_hex(4)}.json")
            yield [Receipt(one, _noted(addresses[one.name])) for one in some]

    def _address(self, change: Change) -> str:
        """How a resource is named in the files: by its business identifier, else by the id it has here."""
        if change.version.deleted:
            return there_of(change.there).id or change.name
        criterion = criterion_of(mapped(change.tree, self._destination.mapping))
        return f"{change.version.type}?{criterion}" if criterion else change.name

    def _entry(self, change: Change, addresses: dict[str, str]) -> dict[str, Any]:
        where = addresses[change.name]
        if change.version.deleted:
            return {"request": {"method": "DELETE", "url": where}}
        tree = wanted_of(mapped(change.tree, self._destination.mapping), addresses)
        if "?" in where:
            tree.pop("id", None)
        return {"resource": tree, "request": {"method": "PUT", "url": where}}


def _noted(address: str) -> str:
    return msgspec.json.encode(There(address)).decode()
