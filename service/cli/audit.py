"""``audit``: whether the audit trail is whole, and its events for other programs."""

import asyncio
import sys
from datetime import datetime
from pathlib import Path
from typing import BinaryIO

import click
import msgspec

from service.cli.audit_lines import syslog_line
from service.cli.local import data_dir_option, now, opened, recorded, settings_for
from service.errors import InvalidInput
from service.fhir.datetimes import LATEST, instant, milliseconds
from service.operations.retention_periods import DAY_MS
from service.settings import Settings
from service.store.audit_links import Named
from service.store.audit_verify import Verdict
from service.store.audit_verify import verify as verified

__all__ = ["audit"]

_MOST_SAID = 100
_TIME = click.DateTime(["%Y-%m-%d", "%Y-%m-%dT%H:%M:%S"])


@click.group()
def audit() -> None:
    """The audit trail: who did what, when, to whose data."""


@audit.command()
@click.option(
    "--heads",
    type=click.Path(dir_okay=False, path_type=Path),
    help="File of the ends of the chains: held against the trail if it is there, then written anew.",
)
@click.option(
    "--kept-days",
    type=click.IntRange(min=1),
    help="The shortest period for which AuditEvents were ever kept here; default the present one.",
)
@data_dir_option
def verify(heads: Path | None, kept_days: int | None, data_dir: Path | None) -> None:
    """Find what was changed, removed, put in or cut off; the service may go on running.

    Keep the file of --heads where nobody can write who can write the database: it alone shows that
    the newest rows, or all of them, were made anew.
    """
    known = _read(heads) if heads and heads.exists() else []
    settings = settings_for(data_dir)
    verdict = asyncio.run(_verified(settings, known))
    days = kept_days or settings.retention_audit_days
    early = bool(verdict.since) and (not days or verdict.since >= milliseconds(now()) - days * DAY_MS)
    for fault in verdict.faults[:_MOST_SAID]:
        click.echo(f"{fault.where}: {fault.what}", err=True)
    click.echo(f"{verdict.rows} rows in {len(verdict.ends)} chains, {len(verdict.faults)} faults.")
    if early:
        kept = f"AuditEvents are kept for {days} days" if days else "no AuditEvent is ever taken away"
        click.echo(
            f"Rows recorded until {instant(verdict.since)} are gone, though {kept} "
            "(SWALLOW_RETENTION_AUDIT_DAYS). If they were kept shorter once, say so: --kept-days.",
            err=True,
        )
    elif verdict.since:
        click.echo(f"Rows recorded until {instant(verdict.since)} were taken away, as their time was over.")
    if verdict.faults or early:
        sys.exit(1)
    if heads:
        heads.write_bytes(msgspec.json.format(msgspec.json.encode(verdict.ends)) + b"\n")


@audit.command()
@click.option(
    "--format", "form", type=click.Choice(["ndjson", "syslog"]), default="ndjson", show_default=True
)
@click.option("--since", type=_TIME, help="Events recorded at or after this time at the site.")
@click.option("--until", type=_TIME, help="Events recorded before this time at the site; default all.")
@click.option("--out", default="-", type=click.File("wb", lazy=False), help="File; default standard output.")
@data_dir_option
def export(
    form: str, since: datetime | None, until: datetime | None, out: BinaryIO, data_dir: Path | None
) -> None:
    """Write the events in their order: AuditEvents as NDJSON, or RFC 5424 lines with chain and hash."""
    settings = settings_for(data_dir)
    low = _moment(since, settings) if since else 0
    high = _moment(until, settings) if until else LATEST
    count = asyncio.run(_written(settings, form, (low, high), out))
    click.echo(f"{count} events.", err=True)


async def _verified(settings: Settings, known: list[Named]) -> Verdict:
    async with opened(settings) as store:
        return await verified(store, known)


async def _written(settings: Settings, form: str, span: tuple[int, int], out: BinaryIO) -> int:
    count = 0
    async with opened(settings) as store, recorded(store, "audit export", "110106"):
        async for row in store.trail(span[1], since=span[0]):
            out.write(syslog_line(row) if form == "syslog" else row.content.encode() + b"\n")
            count += 1
    return count


def _moment(given: datetime, settings: Settings) -> int:
    return milliseconds(given.replace(tzinfo=settings.zone))


def _read(path: Path) -> list[Named]:
    try:
        return msgspec.json.decode(path.read_bytes(), type=list[Named])
    except msgspec.MsgspecError:
        raise InvalidInput(f"{path.name} is no file of heads that this command wrote.") from None
