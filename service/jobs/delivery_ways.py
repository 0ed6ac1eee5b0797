"""How HL7 v2 messages reach a destination: over MLLP, or as files in a folder."""

import asyncio
import os
import ssl
import time
from pathlib import Path
from typing import Protocol
from urllib.parse import urlsplit

from service.errors import DeliveryFailed, ServiceError
from service.hl7v2.acknowledgement import Answer
from service.hl7v2.result_message import Message
from service.jobs.destination import Destination
from service.jobs.mllp_client import MllpClient
from service.jobs.mllp_security import Security, client_security
from service.jobs.outgoing import Outgoing

__all__ = ["FolderWay", "MllpWay", "Way", "message_way"]

_PORT = 2575
"""The port registered for HL7 (IANA, hl7)."""


class Way(Protocol):
    """One way of handing messages over."""

    async def tell(self, message: Message) -> Answer:
        """Hand a message over; answers what was said of it. DeliveryFailed if nothing was."""
        ...

    async def test(self) -> str:
        """Ask whether messages would be taken; a sentence. DeliveryFailed if not."""
        ...

    async def close(self) -> None:
        """Let connections go."""
        ...


class MllpWay:
    """Over MLLP, with or without TLS."""

    def __init__(self, client: MllpClient) -> None:
        """``client`` knows where to."""
        self._client = client

    async def tell(self, message: Message) -> Answer:
        """See Way."""
        return await self._client.send(message)

    async def test(self) -> str:
        """See Way."""
        await self._client.connect()
        return "takes connections for HL7 v2 messages"

    async def close(self) -> None:
        """See Way."""
        await self._client.close()


class FolderWay:
    """A file a message, whole or not at all, in names that sort as they were sent.

    A message that is written again has the same control id and replaces its file, if it is still there.
    """

    def __init__(self, folder: Path) -> None:
        """``folder`` has to be there."""
        self._folder = folder

    async def tell(self, message: Message) -> Answer:
        """See Way."""
        try:
            await asyncio.to_thread(self._write, message)
        except OSError as error:
            raise DeliveryFailed(f"The folder can't be written ({type(error).__name__}).") from None
        return Answer("AA", message.control_id)

    def _write(self, message: Message) -> None:
        kept = next(iter(self._folder.glob(f"*-{message.control_id}.hl7")), None)
        path = kept or self._folder / f"{time.time_ns():020}-{message.control_id}.hl7"
        fresh = self._folder / f".{message.control_id}.new"
        with fresh.open("wb") as out:
            out.write(message.content)
            out.flush()
            os.fsync(out.fileno())
        fresh.replace(path)
        folder = os.open(self._folder, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)

    async def test(self) -> str:
        """See Way."""
        if not os.access(self._folder, os.W_OK | os.X_OK):
            raise DeliveryFailed("The folder is not there, or can't be written.")
        return "can be written"

    async def close(self) -> None:
        """See Way."""


def message_way(destination: Destination, outgoing: Outgoing) -> Way:
    """Open the way to a destination that gets messages; ServiceError if its address can't be used."""
    if destination.kind == "folder":
        return FolderWay(Path(destination.address))
    parts = urlsplit(destination.address)
    try:
        host, port = parts.hostname or "", parts.port or _PORT
    except ValueError:
        host, port = "", 0
    if parts.scheme not in {"mllp", "mllps"} or not host:
        raise ServiceError(
            "The address of a receiver of messages is mllps://host:port, or mllp: without TLS."
        )
    security = _security(destination) if parts.scheme == "mllps" else None
    seconds = destination.limits.seconds
    return MllpWay(MllpClient(host, port, outgoing, security=security, answer_s=seconds))


def _security(destination: Destination) -> ssl.SSLContext:
    named = destination.messages
    files = (named.authorities_file, named.certificate_file, named.key_file)
    try:
        return client_security(Security(*(Path(one) if one else None for one in files)))
    except (OSError, ssl.SSLError) as error:
        raise ServiceError(
            f"The certificates of {destination.name} can't be used ({type(error).__name__})."
        ) from None
