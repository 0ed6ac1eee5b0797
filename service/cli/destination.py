"""``destination``: where what is stored is delivered to, how that stands, and what can be done about it."""

import asyncio
import sys
from collections import Counter
from collections.abc import Awaitable, Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, TypeVar

import click
import msgspec

from service.cli.local import data_dir_option, now, opened, settings_for
from service.errors import InvalidInput
from service.jobs import destination_state
from service.jobs.delivery_fhir import FhirSender
from service.jobs.delivery_reconcile import Reconciliation
from service.jobs.destination_reading import read_destination
from service.jobs.destinations import Destinations
from service.jobs.outgoing import Outgoing
from service.jobs.senders import sender_for
from service.store.entries import Opened

__all__ = ["destination"]

T = TypeVar("T")


@click.group()
def destination() -> None:
    """Where what is stored is delivered to."""


@destination.command()
@click.argument("name")
@click.argument("address")
@click.option(
    "--token-file",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="File with the token for it.",
)
@click.option(
    "--options",
    "file",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="JSON file with its filter, mapping, schedule, limits and login.",
)
@data_dir_option
def add(name: str, address: str, token_file: Path | None, file: Path | None, data_dir: Path | None) -> None:
    """Deliver to ADDRESS from now on: a FHIR base (https:), HL7 v2 (mllp:) or a folder.

    Everything that is stored goes there first. Added again, it is changed.
    """
    given = _options(file) if file else {}
    if token_file is not None:
        given["login"] = {**given.get("login", {}), "token_file": str(token_file.absolute())}
    added = read_destination({"kind": _kind(address), **given, "name": name, "address": address})
    _with(data_dir, lambda _, known: known.add(added))
    click.echo(f"{name} is delivered to: {added.kind} {address}")
    if added.kind == "fhir" and (why := Outgoing(settings_for(data_dir).outgoing_hosts).refusal(address)):
        click.echo(f"Nothing leaves for it yet: {why}", err=True)


@destination.command()
@click.argument("name")
@data_dir_option
def test(name: str, data_dir: Path | None) -> None:
    """Ask whether NAME would take what is sent; nothing is."""
    settings = settings_for(data_dir)

    async def work(store: Opened, known: Destinations) -> str:
        sender = sender_for(await known.named(name), store, Outgoing(settings.outgoing_hosts))
        try:
            return await sender.test()
        finally:
            await sender.close()

    click.echo(f"{name} {_with(data_dir, work)}")


@destination.command("list")
@click.option("--parked", "name", help="Also who is parked at this destination, and why.")
@data_dir_option
def list_(name: str | None, data_dir: Path | None) -> None:
    """Say how the destinations stand."""
    for one in _with(data_dir, lambda store, known: destination_state.states(store, known, now())):
        click.echo(
            f"{one.name}  {one.kind} {one.address}  {one.state}  {one.waiting} waiting, oldest "
            f"{one.oldest_s:.0f} s, {one.parked} parked  {one.sent} sent "
            f"({one.hourly[0]} in this hour, {one.hourly[1]} in the last), {one.failed} failed"
        )
        for said in (*destination_state.alarms(one, settings_for(data_dir)), one.problem):
            if said:
                click.echo(f"    {said}")
    if name:
        for patient in _with(data_dir, lambda store, known: destination_state.parked(store, known, name)):
            click.echo(f"parked  {_named(patient.patient)}: {patient.problem}")


@destination.command()
@click.argument("name")
@data_dir_option
def pause(name: str, data_dir: Path | None) -> None:
    """Send nothing to NAME until it is resumed; what waits is kept."""
    _with(data_dir, lambda store, known: destination_state.pause(store, known, name))
    click.echo(f"{name} is paused.")


@destination.command()
@click.argument("name")
@data_dir_option
def resume(name: str, data_dir: Path | None) -> None:
    """Send to NAME again, at once."""
    _with(data_dir, lambda store, known: destination_state.resume(store, known, name))
    click.echo(f"{name} is delivered to.")


@destination.command()
@click.argument("name")
@click.option("--patient", help="Only what waits of this patient.")
@click.option("--all", "everybody", is_flag=True, help="Whatever waits.")
@data_dir_option
def redrive(name: str, patient: str | None, everybody: bool, data_dir: Path | None) -> None:
    """Try again at once what is parked for NAME, or was put off."""
    if (patient is None) is not everybody:
        raise click.UsageError("Give --patient or --all.")
    of = patient.removeprefix("Patient/") if patient is not None else None
    count = _with(data_dir, lambda store, known: destination_state.redrive(store, known, name, of))
    click.echo(f"{name}: changes of {count} patients are tried again.")


@destination.command()
@click.argument("name")
@click.option("--since", required=True, type=click.DateTime(), help="UTC; what was written from then on.")
@data_dir_option
def replay(name: str, since: datetime, data_dir: Path | None) -> None:
    """Send to NAME again what was written since a time and was sent before."""
    moment = since.replace(tzinfo=UTC)
    count = _with(data_dir, lambda store, known: destination_state.replay(store, known, name, moment))
    click.echo(f"{name}: changes of {count} patients are sent again.")


@destination.command()
@click.argument("name")
@click.option("--repair", is_flag=True, help="Have what is missing or different sent again.")
@data_dir_option
def reconcile(name: str, data_dir: Path | None, *, repair: bool) -> None:
    """Hold what NAME (a FHIR endpoint) was sent against what it has; ends with 1 if something differs.

    With --repair what differs waits to be sent again, whoever changed it there; 'push' sends it at once.
    """
    settings = settings_for(data_dir)

    async def work(store: Opened, known: Destinations) -> tuple[int, Counter[str]]:
        found = await known.named(name)
        sender = sender_for(found, store, Outgoing(settings.outgoing_hosts))
        if not isinstance(sender, FhirSender):
            raise InvalidInput("Only what a FHIR endpoint has can be looked at.")
        counts: Counter[str] = Counter()
        try:
            reconciled = Reconciliation(store, found, await sender.looker())
            async for one in reconciled.differences(repair=repair):
                click.echo(f"{one.kind:9}  {one.name}")
                counts[one.kind] += 1
        finally:
            await sender.close()
        return reconciled.compared, counts

    compared, counts = _with(data_dir, work)
    told = ", ".join(f"{counts[kind]} {kind}" for kind in ("missing", "different", "extra"))
    click.echo(f"{compared} resources compared: {told}.")
    sys.exit(1 if counts else 0)


@destination.command()
@click.argument("name")
@data_dir_option
def remove(name: str, data_dir: Path | None) -> None:
    """Deliver to NAME no more, and forget what it has; nothing is taken away there."""
    _with(data_dir, lambda _, known: known.remove(name))
    click.echo(f"{name} is forgotten.")


def _named(patient: str) -> str:
    return f"Patient/{patient}" if patient else "what is nobody's"


def _kind(address: str) -> str:
    if address.startswith(("https:", "http:")):
        return "fhir"
    return "mllp" if address.startswith(("mllp:", "mllps:")) else "folder"


def _options(file: Path) -> dict[str, Any]:
    try:
        return msgspec.json.decode(file.read_bytes(), type=dict[str, Any])
    except msgspec.MsgspecError as error:
        raise InvalidInput(f"{file.name}: {error}") from None


def _with(data_dir: Path | None, work: Callable[[Opened, Destinations], Awaitable[T]]) -> T:
    """Do something with the destinations of the settings' database."""
    settings = settings_for(data_dir)

    async def run() -> T:
        async with opened(settings) as store:
            return await work(store, Destinations(store, settings.destinations))

    return asyncio.run(run())
