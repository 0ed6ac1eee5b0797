"""``push``: deliver what waits for one destination, and end."""

import asyncio
import sys
from pathlib import Path

import click

from service.cli.followed import followed
from service.cli.local import data_dir_option, machine_user, now, opened, settings_for
from service.jobs.delivery import Delivery
from service.jobs.destination_state import DestinationState, states
from service.jobs.destinations import Destinations
from service.jobs.outgoing import Outgoing
from service.jobs.senders import sender_for
from service.settings import Settings

__all__ = ["push"]


@click.command()
@click.argument("name")
@click.option(
    "--patience",
    default=60.0,
    show_default=True,
    help="Seconds after which it ends if nothing arrives; what is left is delivered later.",
)
@data_dir_option
def push(name: str, patience: float, data_dir: Path | None) -> None:
    """Deliver what waits for the destination NAME, and end; safe to repeat.

    Ends with 1 if something is left.
    """
    left = asyncio.run(_push(settings_for(data_dir), name, patience))
    if left.waiting:
        click.echo(
            f"People who wait: {left.waiting}, of them parked: {left.parked}; {left.problem}", err=True
        )
        sys.exit(1)


async def _push(settings: Settings, name: str, patience: float) -> DestinationState:
    async with followed(settings, "delivery") as counts, opened(settings) as store:
        known = Destinations(store, settings.destinations)
        outgoing = Outgoing(settings.outgoing_hosts)
        delivery = Delivery(store, known, lambda one: sender_for(one, store, outgoing), now, machine_user())
        done = await delivery.drain(await known.named(name), patience)
        counts |= {"parcels": done.parcels, "resources": done.resources, "failed": done.failed}
        click.echo(f"{done.resources} resources delivered in {done.parcels} parcels.")
        return next(one for one in await states(store, known, now()) if one.name == name)
