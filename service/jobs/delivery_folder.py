"""Delivers into a folder: each file is written whole, under names that sort in the order they were written.

A file holds one transaction Bundle of conditional updates, so that whoever takes it in finds by business
identifier what they have, and taking it in twice has the same effect as once.
"""

import asyncio
import os
import secrets
import time
from collections.abc import AsyncIterator, Sequence
from pathlib import Path
from typing import Any

import msgspec

from service.errors import DeliveryFailed
from service.fhir import json
from service.jobs.delivery_item import There, criterion_of, there_of, wanted_of
from service.jobs.delivery_mapping import mapped
from service.jobs.delivery_sender import Change, Parcel, Receipt
from service.jobs.destination import Destination

__all__ = ["FolderSender", "OutFolder"]


class OutFolder:
    """A folder that others take files from."""

    def __init__(self, path: Path) -> None:
        """Take where it is; it has to be there."""
        self.path = path

    async def put(self, content: bytes, suffix: str) -> str:
        """Write a file, durable when this returns, and answer its name; DeliveryFailed if it can't be."""
        name = f"{time.time_ns():020d}-{secrets.token_hex(4)}{suffix}"
        try:
            await asyncio.to_thread(self._put, name, content)
        except OSError as error:
            raise DeliveryFailed(f"The folder can't be written now ({type(error).__name__}).") from None
        return name

    def _put(self, name: str, content: bytes) -> None:
        fresh = self.path / f".{name}.part"  # nobody takes what begins with a dot
        with os.fdopen(os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o640), "wb") as out:
            out.write(content)
            out.flush()
            os.fsync(out.fileno())
        fresh.replace(self.path / name)
        handle = os.open(self.path, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)

    async def test(self) -> str:
        """Write a file and take it away; DeliveryFailed if that can't be."""
        name = await self.put(b"", ".test")
        (self.path / name).unlink(missing_ok=True)
        return "is a folder that can be written"


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
            await self._folder.put(bundle, ".json")
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
