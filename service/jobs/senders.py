"""The way to each kind of destination."""

from pathlib import Path

from service.errors import ServiceError
from service.jobs.delivery_fhir import FhirSender
from service.jobs.delivery_messages import MessageSender
from service.jobs.delivery_sender import Sender
from service.jobs.delivery_ways import message_way
from service.jobs.destination import Destination
from service.jobs.http_client import connect
from service.jobs.outgoing import Outgoing
from service.store.entries import Opened

__all__ = ["sender_for"]


def sender_for(destination: Destination, store: Opened, outgoing: Outgoing) -> Sender:
    """Open the way to a destination."""
    if destination.kind == "fhir":
        token = _secret(destination.login.token_file)
        return FhirSender(
            destination,
            store,
            connect(destination.address, token, outgoing, timeout=destination.limits.seconds),
        )
    if destination.gets_messages:
        return MessageSender(destination, store, message_way(destination, outgoing))
    raise ServiceError(f"This program can't deliver to destinations of the kind {destination.kind} yet.")


def _secret(path: str) -> str:
    try:
        return Path(path).read_text("utf-8").strip() if path else ""
    except (OSError, UnicodeDecodeError) as error:
        raise ServiceError(f"{path} can't be read ({type(error).__name__}).") from None
