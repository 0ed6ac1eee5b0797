"""The port for v2 messages of a running service, by its settings.

It is part of the service rather than a command of its own: messages are written by the one writer that SQLite
has, and a service that is told to stop finishes them as it does requests.
"""

import logging
import ssl
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import asynccontextmanager
from datetime import datetime
from pathlib import Path

from service.errors import ServiceError
from service.fhir.validation.profiles import Definitions
from service.interactions.context import Context, allow_everything
from service.jobs.adt_intake import AdtIntake, systems_of
from service.jobs.mllp_listener import Limits, MllpListener, networks_of
from service.jobs.mllp_security import Security, server_security
from service.settings import Settings
from service.store.entries import Opened

__all__ = ["taking_messages"]

_log = logging.getLogger("service.mllp")


@asynccontextmanager
async def taking_messages(
    settings: Settings,
    store: Opened,
    definitions: Definitions,
    clock: Callable[[], datetime],
    tell: Callable[[Mapping[str, int]], None],
) -> AsyncIterator[None]:
    """Listen while the service runs, if the settings name a port; ``tell`` gets counts by outcome.

    ServiceError if a setting can't be used or the port can't be had.
    """
    context = Context(
        f"{settings.base_url.rstrip('/')}/fhir",
        allow_everything,
        zone=settings.zone,
        clock=clock,
        definitions=definitions,
    )
    intake = AdtIntake(store, systems_of(settings.mllp_systems), context, clock)
    if not settings.mllp_port:
        yield
        return
    limits = Limits(
        networks_of(settings.mllp_networks),
        settings.max_body_bytes,
        settings.mllp_connections,
        settings.receive_seconds,
    )
    listener = MllpListener(intake.handle, intake.too_large, limits, _security(settings))
    try:
        port = await listener.listen(settings.host, settings.mllp_port)
    except OSError as error:
        where = f"{settings.host}, port {settings.mllp_port}"
        raise ServiceError(f"SWALLOW_MLLP_PORT: can't listen on {where} ({error.strerror}).") from None
    _log.info("taking HL7 v2 messages", extra={"told": {"host": settings.host, "port": port}})
    tell(intake.counts)
    try:
        yield
    finally:
        await listener.close(settings.stop_seconds)


def _security(settings: Settings) -> ssl.SSLContext | None:
    if not settings.mllp_certificate:
        return None
    names = (settings.mllp_authorities, settings.mllp_certificate, settings.mllp_key)
    files = Security(*(Path(one) if one else None for one in names))
    try:
        return server_security(files)
    except (OSError, ssl.SSLError) as error:
        raise ServiceError(
            f"SWALLOW_MLLP_CERTIFICATE, _KEY or _AUTHORITIES can't be used ({type(error).__name__})."
        ) from None
