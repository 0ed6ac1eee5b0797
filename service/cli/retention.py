"""``retention``: legal holds, erasure on request, and taking away what has been kept long enough."""

import asyncio
from collections.abc import AsyncIterator, Callable, Iterator, Sequence
from contextlib import asynccontextmanager, contextmanager
from datetime import datetime
from functools import partial
from pathlib import Path

import click
from tqdm import tqdm

from service.cli.local import data_dir_option, machine_user, now, opened, recorded, settings_for
from service.cli.people import person_id
from service.cli.retention_lines import aged_lines, backup_line, erased_lines, listed_lines, stays_lines
from service.cli.retention_work import Report, Wish, Work, eraser_for, refusal_told, told_of
from service.errors import NotFound
from service.fhir.datetimes import instant, interval, milliseconds
from service.jobs.erasure import erasures
from service.jobs.holds import Hold, holds
from service.jobs.holds import hold as held
from service.jobs.holds import release as released
from service.jobs.retention import Ageing, Counts
from service.operations.retention_periods import Periods, check_clock
from service.settings import Settings
from service.store.ageing import newest_write
from service.store.archive import Movable
from service.store.audit import Event

__all__ = ["retention"]

_ASKING = ("person", "representative", "authority", "site")
_reason_option = click.option(
    "--reason",
    required=True,
    help="Why, in words that name nobody: it is kept, and stands in the audit trail.",
)


@click.group()
def retention() -> None:
    """Keep people's data as long as it must be kept, and no longer."""


@retention.command()
@click.argument("patient")
@_reason_option
@data_dir_option
def hold(patient: str, reason: str, data_dir: Path | None) -> None:
    """Erase and age out nothing of PATIENT (an id, or an identifier system|value) until it is released."""
    id_ = asyncio.run(_hold(settings_for(data_dir), patient, reason))
    click.echo(f"Patient/{id_} is held: nothing of them is erased or aged out until it is released.")


@retention.command()
@click.argument("patient")
@_reason_option
@data_dir_option
def release(patient: str, reason: str, data_dir: Path | None) -> None:
    """Take the hold on PATIENT back."""
    id_ = asyncio.run(_release(settings_for(data_dir), patient, reason))
    click.echo(f"Patient/{id_} is no longer held.")


@retention.command()
@click.argument("patient")
@_reason_option
@click.option("--requested-by", type=click.Choice(_ASKING), required=True, help="Who wants it, by kind.")
@click.option("--dry-run", is_flag=True, help="Say what would go and what stays; do nothing.")
@click.option("--yes", is_flag=True, help="Ask nothing.")
@data_dir_option
def erase(patient: str, data_dir: Path | None, *, dry_run: bool, yes: bool, **why: str) -> None:
    """Take away for ever everything about PATIENT alone, and PATIENT from what is about others as well.

    The service may go on running. Nothing brings it back but a backup from before, and restoring that erases
    it again.
    """
    settings = settings_for(data_dir)
    if dry_run or not yes:
        _say(asyncio.run(_rehearsed(settings, patient)), settings)
    if dry_run:
        click.echo("Nothing was erased.")
        return
    if not yes:
        click.confirm("Erase all of this for ever?", abort=True)
    report = asyncio.run(_erased(settings, patient, Wish(why["reason"], why["requested_by"])))
    _say(report, settings)
    click.echo(f"Patient/{report.patient} was erased.")


@retention.command()
@click.option("--dry-run", is_flag=True, help="Count what would go; do nothing.")
@click.option(
    "--today",
    type=click.DateTime(["%Y-%m-%d"]),
    help="Today's date, where the machine's clock is right although nothing was recorded for a year.",
)
@data_dir_option
def apply(data_dir: Path | None, today: datetime | None, *, dry_run: bool) -> None:
    """Take away what has been kept longer than the site's periods (SWALLOW_RETENTION_…).

    Nothing goes by default, and nothing of anybody who is held. It may be stopped and run again at any time.
    """
    settings = settings_for(data_dir)
    counts = asyncio.run(_applied(settings, today, rehearsed=dry_run))
    for line in aged_lines(counts, rehearsed=dry_run):
        click.echo(line)


@retention.command("list")
@data_dir_option
def list_(data_dir: Path | None) -> None:
    """Name who is held and who was erased, and the periods."""
    for line in asyncio.run(_listed(settings_for(data_dir))):
        click.echo(line)


async def _hold(settings: Settings, patient: str, reason: str) -> str:
    tell = partial(told_of, "hold", "hold", reason, "HLEGAL")
    async with opened(settings) as store, _told_if_refused(store, patient, settings, tell) as id_:
        if await store.read("Patient", id_) is None:
            raise NotFound(f"There is no Patient/{id_} here.")
        new = Hold(instant(milliseconds(now())), reason, machine_user())
        await held(store, id_, new, tell(f"Patient/{id_}"))
    return id_


async def _release(settings: Settings, patient: str, reason: str) -> str:
    tell = partial(told_of, "release", "unhold", reason, "HLEGAL")
    async with opened(settings) as store, _told_if_refused(store, patient, settings, tell) as id_:
        await released(store, id_, tell(f"Patient/{id_}"))
    return id_


@asynccontextmanager
async def _told_if_refused(
    store: Movable, patient: str, settings: Settings, tell: Callable[..., list[Event]]
) -> AsyncIterator[str]:
    """The id of a person about whom something is done; a refusal is recorded, naming them if known."""
    async with refusal_told(store, tell(status=500)):
        id_ = await person_id(store, patient, settings)
    known = [f"Patient/{id_}"] if await store.read("Patient", id_) else []
    async with refusal_told(store, tell(*known, status=500)):
        yield id_


async def _rehearsed(settings: Settings, patient: str) -> Report:
    async with opened(settings) as store, recorded(store, "retention erase --dry-run", "110112") as seen:
        id_ = await person_id(seen, patient, settings)
        await seen.read("Patient", id_)
        with _looking() as told:
            return await Work(store, settings, eraser_for(settings)).rehearse(id_, told)


async def _erased(settings: Settings, patient: str, wish: Wish) -> Report:
    async with opened(settings) as store:
        id_ = await person_id(store, patient, settings)
        work = Work(store, settings, eraser_for(settings))
        with _looking() as told:
            report = await work.erase(id_, wish, told)
        _say_unclean(clean=await work.clean())
        return report


async def _applied(settings: Settings, today: datetime | None, *, rehearsed: bool) -> Counts:
    async with opened(settings) as store:
        moment = now()
        newest = await newest_write(store)
        written = interval(newest, settings.zone)[0] if newest else 0
        check_clock(
            moment.astimezone(settings.zone).date(),
            datetime.fromtimestamp(written / 1000, settings.zone).date() if written else None,
            today.date() if today else None,
        )
        work = Work(store, settings, eraser_for(settings))
        wish = Wish("kept as long as the site keeps it", "site", "apply", "HSYSADMIN")

        async def erase(people: Sequence[str]) -> int:
            return await work.erase_all(people, wish)

        with tqdm(unit="version", disable=None) as bar:
            ageing = Ageing(
                store,
                Periods.of(settings),
                moment,
                settings.zone,
                lambda names: told_of("apply", "destroy", wish.reason, wish.purpose, *names),
                rehearsed=rehearsed,
                told=bar.update,
            )
            if not rehearsed:
                await work.catch_up()
            counts = await ageing.run(erase)
        if not rehearsed:
            _say_unclean(clean=await work.clean())
        return counts


async def _listed(settings: Settings) -> list[str]:
    async with opened(settings) as store, recorded(store, "retention list", "110112"):
        return [*listed_lines(await holds(store), await erasures(store), Periods.of(settings))]


def _say_unclean(*, clean: bool) -> None:
    if not clean:
        click.echo(
            "Unused parts of the database may still hold what was taken away: it is in use, or there is no "
            "room to write its file anew. Run 'retention apply' later.",
            err=True,
        )


def _say(report: Report, settings: Settings) -> None:
    for line in erased_lines(report):
        click.echo(line)
    for line in stays_lines():
        click.echo(line)
    click.echo(backup_line(settings.retention_backup_days, now().astimezone(settings.zone).date()))


@contextmanager
def _looking() -> Iterator[Callable[[int, int], None]]:
    """A bar that shows how much was looked through."""
    with tqdm(unit="version", disable=None) as bar:

        def told(done: int, whole: int) -> None:
            bar.total = whole
            bar.update(done - bar.n)

        yield told
