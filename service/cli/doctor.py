"""``doctor``: whether a deployment is as it should be, and what to do where it is not."""

import asyncio
import os
import shutil
import stat
import sys
import time
from collections.abc import AsyncIterator, Iterator
from datetime import timedelta
from email.utils import parsedate_to_datetime
from pathlib import Path
from typing import NamedTuple

import click

from service.cli.local import data_dir_option, now, opened, settings_for
from service.cli.safety import check_safety
from service.errors import ServiceError
from service.jobs.destination_state import alarms, states
from service.jobs.destinations import Destinations
from service.jobs.fetching import Fetching
from service.jobs.holds import holds
from service.jobs.http_client import Response, TransportError, connect
from service.jobs.outgoing import Outgoing
from service.security.access import code_flows
from service.security.keys import read_keys
from service.security.token_service import own_name
from service.security.trusted_issuers import Listed, read_issuers
from service.settings import Settings

__all__ = ["doctor"]

_LEAST_FREE = 1_000_000_000
_SKEW = timedelta(seconds=30)
_SECONDS = 5.0


class _Finding(NamedTuple):
    """What was looked at, what was found, and whether somebody has to do something."""

    what: str
    said: str
    fine: bool = True


@click.command()
@data_dir_option
def doctor(data_dir: Path | None) -> None:
    """Look at settings, folders, the database, disk space and the issuers of tokens; write nothing.

    Ends with 0 if all is well, with 1 if something has to be done.
    """
    findings = asyncio.run(_all(settings_for(data_dir)))
    for one in findings:
        click.echo(f"{'ok     ' if one.fine else 'PROBLEM'}  {one.what}: {one.said}")
    sys.exit(0 if all(one.fine for one in findings) else 1)


async def _all(settings: Settings) -> list[_Finding]:
    return [
        *_settings(settings),
        *_folder(settings.data_dir),
        *_exports(settings),
        *[one async for one in _database(settings)],
        *[one async for one in _issuers(settings)],
        *[one async for one in _providers(settings)],
    ]


def _settings(settings: Settings) -> Iterator[_Finding]:
    try:
        check_safety(settings)
    except ServiceError as error:
        yield from (_Finding("settings", issue.message, fine=False) for issue in error.issues)
    else:
        yield _Finding("settings", "'serve' would start with them")
    yield _Finding("time zone", f"{settings.time_zone}, now {now().astimezone(settings.zone):%H:%M}")
    if settings.issuers and not settings.base_url:
        yield _Finding(
            "address",
            "SWALLOW_BASE_URL is not set: people whose tokens name them by an address "
            "(https://…/fhir/Practitioner/1) are nobody here, and reach no patients in their care.",
        )
    if settings.trust_forwarded and settings.host not in {"127.0.0.1", "::1"}:
        yield _Finding(
            "proxy",
            "SWALLOW_TRUST_FORWARDED believes whoever connects; let only the proxy reach this port, and "
            "have it set X-Forwarded-Proto, -Host, -Prefix and -For anew.",
        )


def _folder(folder: Path) -> Iterator[_Finding]:
    if not folder.exists():
        yield _Finding("data folder", f"{folder} is not there yet; 'serve' makes it")
        return
    others = bool(folder.stat().st_mode & stat.S_IRWXO)
    problem = f"others can read {folder}; set its mode to 0700: chmod 700 {folder}"
    yield _Finding("data folder", problem if others else f"{folder} is closed to others", not others)
    yield from _room("disk", folder)


def _room(what: str, folder: Path) -> Iterator[_Finding]:
    free = shutil.disk_usage(folder).free
    enough = free >= _LEAST_FREE
    said = f"{free / 1e9:.1f} GB free"
    yield _Finding(what, said if enough else f"{said}; writes are refused when none is left", enough)


def _exports(settings: Settings) -> Iterator[_Finding]:
    """The folder of bulk exports, which all processes of a database share."""
    folder, what = settings.export_folder, "export folder"
    if settings.database_url and not settings.export_dir:
        said = f"{folder} is this machine's; name one that all processes reach: SWALLOW_EXPORT_DIR"
        yield _Finding(what, said)
    if not folder.exists():
        yield _Finding(what, f"{folder} is not there yet; the first export makes it")
        return
    problem = _barred(folder)
    yield _Finding(what, problem or f"{folder} can be read and written", not problem)
    if settings.export_dir and not problem:
        yield from _room(f"{what}, disk", folder)


def _barred(folder: Path) -> str:
    """Why exports can't be kept in a folder, or read from it; empty if they can."""
    if not folder.is_dir():
        return f"{folder} is no folder; name another: SWALLOW_EXPORT_DIR"
    if folder.stat().st_mode & stat.S_IRWXO:
        return f"others can read {folder}; set its mode to 0700: chmod 700 {folder}"
    if not os.access(folder, os.R_OK | os.W_OK | os.X_OK):
        return f"{folder} can't be read and written; run every process of the service as its owner"
    if barred := sum(not os.access(one, os.R_OK) for one in folder.iterdir()):
        return f"{barred} exports in {folder} can't be read; run every process of the service as one user"
    return ""


async def _database(settings: Settings) -> AsyncIterator[_Finding]:
    if not settings.database_url and not (settings.data_dir / "swallow.sqlite").exists():
        yield _Finding("database", "SQLite, not there yet; 'serve' makes it")
        return
    try:
        async with opened(settings) as store:
            held = len(await holds(store))
            known = f"answers, its schema is this program's; {await store.size()} versions"
            yield _Finding("database", f"{known}; {held} people are held" if held else known)
            for one in await states(store, Destinations(store, settings.destinations), now()):
                said = ", ".join(alarms(one, settings))
                yield _Finding(
                    f"destination {one.name}", said or f"{one.state}, {one.waiting} wait", not said
                )
    except ServiceError as error:
        yield _Finding("database", str(error), fine=False)


async def _issuers(settings: Settings) -> AsyncIterator[_Finding]:
    if not settings.issuers:
        yield _Finding("issuers", "none outside; systems fetch tokens here ('client add')")
        return
    try:
        listed = read_issuers(Path(settings.issuers), own_name(settings.base_url))
    except ServiceError as error:
        yield _Finding("issuers", str(error), fine=False)
        return
    for one in listed:
        if one.jwks.startswith(("https://", "http://")):
            yield await _issuer(one, Outgoing(settings.outgoing_hosts))
        else:
            yield _Finding(one.issuer, "its keys are in a file, or it is asked about each token")


async def _issuer(one: Listed, outgoing: Outgoing) -> _Finding:
    try:
        async with connect("", "", outgoing, timeout=_SECONDS) as client:
            answer = await client.get(one.jwks)
        keys = read_keys(answer.content) if answer.status_code == 200 else ()
    except (ServiceError, TransportError, ValueError) as error:
        said = str(error) if isinstance(error, ServiceError) else type(error).__name__
        return _Finding(one.issuer, f"no keys can be had from {one.jwks}: {said}", fine=False)
    if not keys:
        said = f"{one.jwks} answers {answer.status_code} and no key that can be used"
        return _Finding(one.issuer, said, fine=False)
    skew = _skew(answer)
    if skew > _SKEW:
        said = f"its clock and ours are {skew.total_seconds():.0f} seconds apart; set this machine's by NTP"
        return _Finding(one.issuer, said, fine=False)
    return _Finding(one.issuer, f"{len(keys)} keys; its clock agrees with ours")


async def _providers(settings: Settings) -> AsyncIterator[_Finding]:
    if not settings.providers:
        return
    fetching = Fetching(Outgoing(settings.outgoing_hosts))
    try:
        for flow in code_flows(settings, fetching, time.time).values():
            try:
                await flow.ready()
            except ServiceError as error:
                yield _Finding(flow.provider.name, str(error), fine=False)
            else:
                yield _Finding(flow.provider.name, "tells its addresses and keys; people sign in there")
    except ServiceError as error:
        yield _Finding("providers", str(error), fine=False)
    finally:
        await fetching.close()


def _skew(answer: Response) -> timedelta:
    """How far our clock is from the one of who answered, as far as it tells."""
    try:
        return abs(now() - parsedate_to_datetime(answer.headers.get("Date", "")))
    except (TypeError, ValueError):
        return timedelta(0)
