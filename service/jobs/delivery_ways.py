"""How HL7 v2 messages reach a destination: over MLLP, or as files in a folder."""

import ssl
from pathlib import Path
from typing import Protocol
from urllib.parse import urlsplit

from service.errors import ServiceError
from service.hl7v2.acknowledgement import Answer
from service.hl7v2.result_message import Message
from service.jobs.destination import Destination
from service.jobs.mllp_client import MllpClient
from service.jobs.mllp_security import Security, client_security
from service.jobs.out_folder import OutFolder
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
    """A file a message; one that is written again has the same control id and replaces its file."""

    def __init__(self, folder: OutFolder) -> None:
        """``folder`` has to be there."""
        self._folder = folder

    async def tell(self, message: Message) -> Answer:
        """See Way."""
        await self._folder.put(message.content, f"{message.control_id}.hl7")
        return Answer("AA", message.control_id)

    async def test(self) -> str:
        """See Way."""
        return await self._folder.test()

    async def close(self) -> None:
        """See Way."""


def message_way(destination: Destination, outgoing: Outgoing) -> Way:
    """Open the way to a destination that gets messages; ServiceError if its address can't be used."""
    if destination.kind == "folder":
        return FolderWay(OutFolder(Path(destination.address)))
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
