"""``patient``: merge two that are one person, and take a merge back."""

import asyncio
from collections.abc import Awaitable, Callable
from pathlib import Path

import click

from service.cli.local import data_dir_option, local_context, machine_user, opened, recorded, settings_for
from service.cli.people import person_id
from service.interactions.context import Context
from service.operations.patient_merge import Source, merge, unmerge
from service.settings import Settings
from service.store.contract import Store, Transaction

__all__ = ["patient"]

Work = Callable[[Store, str, str, Context, Source], Awaitable[None]]


@click.group()
def patient() -> None:
    """Merge two Patients that are one person, and take that back."""


@patient.command("merge")
@click.argument("survivor")
@click.argument("other")
@data_dir_option
def merge_(survivor: str, other: str, data_dir: Path | None) -> None:
    """Make everything about OTHER be about SURVIVOR; each is system|value or an id."""

    async def work(store: Store, into: str, gone: str, context: Context, source: Source) -> None:
        async def inside(txn: Transaction) -> None:
            await merge(txn, into, gone, context=context, source=source)

        await store.write("patient merge", inside)

    settings = settings_for(data_dir)
    into, gone = asyncio.run(_done("merge", settings, (survivor, other), work))
    click.echo(f"Patient/{gone} was merged into Patient/{into}.")


@patient.command("unmerge")
@click.argument("survivor")
@click.argument("other")
@data_dir_option
def unmerge_(survivor: str, other: str, data_dir: Path | None) -> None:
    """Take back that OTHER was merged into SURVIVOR; OTHER is an id, as its identifiers lead elsewhere."""

    async def work(store: Store, into: str, gone: str, context: Context, source: Source) -> None:
        await unmerge(store, into, gone, context=context, source=source)

    settings = settings_for(data_dir)
    _, gone = asyncio.run(_done("unmerge", settings, (survivor, other), work))
    click.echo(f"Patient/{gone} stands by itself again.")


async def _done(name: str, settings: Settings, named: tuple[str, str], work: Work) -> tuple[str, str]:
    source = Source(f"{machine_user()}, swallow-interop patient {name}")
    async with opened(settings) as opened_, recorded(opened_, f"patient {name}", "110110") as store:
        into, gone = [await person_id(store, one, settings) for one in named]
        await work(store, into, gone, local_context(settings), source)
    return into, gone
