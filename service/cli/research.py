"""``research``: what has left for research, and what ties it to people."""

import asyncio
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

import click

from service.cli.local import data_dir_option, opened, recorded, settings_for
from service.cli.people import person_id
from service.errors import NotFound
from service.jobs.research_place import releases_in, vaults_in
from service.jobs.table_folder import digest
from service.jobs.vault import Vaults
from service.settings import Settings

__all__ = ["research"]

T = TypeVar("T")


@click.group()
def research() -> None:
    """List releases; find or destroy what ties a project's random ids to people."""


@research.command()
@click.option(
    "--of",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="Name the release that a file is, or is one of, by its checksum.",
)
@data_dir_option
def releases(of: Path | None, data_dir: Path | None) -> None:
    """List what has left, under which approval, and who has withdrawn since."""
    found = releases_in(settings_for(data_dir).data_dir).all()
    if of is not None:
        sha256 = digest(of)
        found = [one for one in found if one[0].has(sha256)]
        if not found:
            raise NotFound("This file is no release of this site, or was changed since.")
    for one, withdrawn in found:
        whom = "for everybody" if one.open else "for known recipients"
        basis = one.approval or "none"
        ended = f"{one.bytes} bytes  sha256 {one.sha256}" if one.complete else "not sent to its end"
        click.echo(f"{one.id}  {one.released}  {one.project}  {one.policy}  {whom}  approval {basis}")
        click.echo(f"    {one.people} people  k = {one.k}  engine {one.engine}  {ended}")
        for who in withdrawn:
            click.echo(f"    withdrawn: Patient/{who.patient}, noted {who.noted}")


@research.command()
@data_dir_option
def projects(data_dir: Path | None) -> None:
    """Name the projects whose random ids are kept."""
    for vault in _vaults(data_dir).all():
        click.echo(f"{vault.project}  {vault.variant}")


@research.command()
@click.argument("project")
@click.argument("random_id", metavar="ID")
@data_dir_option
def find(project: str, random_id: str, data_dir: Path | None) -> None:
    """Tell what a random ID of a project stands for; recorded in the audit trail."""
    found = asyncio.run(
        _recorded(data_dir, "research find", lambda: _vaults(data_dir).known(project).find(random_id))
    )
    if found is None:
        raise NotFound("This project has given nobody that id.")
    click.echo(found)


@research.command()
@click.argument("patient")
@data_dir_option
def person(patient: str, data_dir: Path | None) -> None:
    """List the releases PATIENT (an id, or an identifier system|value) was part of, and as whom; recorded."""
    found = asyncio.run(_releases_of(settings_for(data_dir), patient))
    for release, project, random_id in found:
        click.echo(f"{release}  {project}  Patient/{random_id}")
    if not found:
        click.echo("They were part of no release whose random ids are kept.")


async def _releases_of(settings: Settings, patient: str) -> list[tuple[str, str, str]]:
    async with opened(settings) as store, recorded(store, "research person", "110112") as seen:
        id_ = await person_id(seen, patient, settings)
        await seen.read("Patient", id_)
        vaults = vaults_in(settings.data_dir, settings.vault_key_file)
        kept = [(vault.project, vault.of(id_)) for vault in vaults.all()]
    return [
        (release, project, one.names[f"Patient/{id_}"]) for project, one in kept for release in one.releases
    ]


@research.command()
@click.argument("project")
@click.confirmation_option(prompt="Nothing will tie its releases to people any more. Destroy it?")
@data_dir_option
def destroy(project: str, data_dir: Path | None) -> None:
    """Destroy what ties a project's releases to people, for ever."""
    asyncio.run(_recorded(data_dir, "research destroy", lambda: _vaults(data_dir).destroy(project)))
    click.echo(
        f"{project}: random ids and offsets are destroyed. "
        "Copies of its folder, in backups too, are yours to destroy."
    )


def _vaults(data_dir: Path | None) -> Vaults:
    settings = settings_for(data_dir)
    return vaults_in(settings.data_dir, settings.vault_key_file)


async def _recorded(data_dir: Path | None, command: str, work: Callable[[], T]) -> T:
    async with opened(settings_for(data_dir)) as store, recorded(store, command, "110112"):
        return work()
