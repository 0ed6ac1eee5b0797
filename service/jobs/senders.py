"""The way to each kind of destination."""

from service.jobs.delivery_fhir import FhirSender
from service.jobs.delivery_folder import FolderSender
from service.jobs.delivery_login import BackendTokens, FileTokens
from service.jobs.delivery_messages import MessageSender
from service.jobs.delivery_sender import Sender
from service.jobs.delivery_ways import message_way
from service.jobs.destination import Destination
from service.jobs.http_client import Certificate, Tokens, connect
from service.jobs.outgoing import Outgoing
from service.store.entries import Opened

__all__ = ["sender_for"]


def sender_for(destination: Destination, store: Opened, outgoing: Outgoing) -> Sender:
    """Open the way to a destination; ServiceError if a file of its login can't be read."""
    if destination.gets_messages:
        return MessageSender(destination, store, message_way(destination, outgoing))
    if destination.kind == "folder":
        return FolderSender(destination)
    return _fhir(destination, store, outgoing)


def _fhir(destination: Destination, store: Opened, outgoing: Outgoing) -> Sender:
    login, limits = destination.login, destination.limits
    client = connect(
        destination.address,
        _tokens(destination, outgoing),
        outgoing,
        timeout=limits.seconds,
        certificate=Certificate(login.certificate_file, login.certificate_key_file),
        per_second=limits.per_second,
    )
    return FhirSender(destination, store, client)


def _tokens(destination: Destination, outgoing: Outgoing) -> Tokens:
    login = destination.login
    if login.token_url:
        return BackendTokens(login, connect("", "", outgoing, timeout=destination.limits.seconds))
    return FileTokens(login.token_file)
