"""``changes``: what an amendment changed of a visit since it was signed."""

import asyncio
from collections.abc import Iterator
from pathlib import Path

import click

from service.cli.local import data_dir_option, local_context, opened, recorded, settings_for
from service.cli.people import by_identifier
from service.operations.signed_changes import SignedChanges, answer_of, signed_changes
from service.settings import Settings

__all__ = ["changes"]


@click.command()
@click.argument("visit")
@click.option("--json", "as_json", is_flag=True, help="Print the answer as the operation's Parameters.")
@data_dir_option
def changes(visit: str, as_json: bool, data_dir: Path | None) -> None:
    """What was amended of VISIT since it was signed: a record's identifier 'system|value', or an id."""
    found = asyncio.run(_found(settings_for(data_dir), visit))
    click.echo(answer_of(found).decode() if as_json else "\n".join(_lines(found)))


async def _found(settings: Settings, visit: str) -> SignedChanges:
    async with opened(settings) as opened_, recorded(opened_, "changes", "110112") as store:
        id_ = (await by_identifier(store, "Encounter", visit, settings)).id if "|" in visit else visit
        return await signed_changes(store, id_, context=local_context(settings))


def _lines(found: SignedChanges) -> Iterator[str]:
    if not found.signed:
        yield "Nothing was amended, or what was signed is no longer kept."
        return
    yield f"Signed {found.at} as {found.signed}."
    for part in found.parts:
        by = ", ".join(part.who) or "not recorded"
        yield f"{part.kind} {part.reference}: {part.what} {part.place}".rstrip() + f" ({by}, {part.when})"
        for one in part.elements:
            yield f"  {one.path}: {one.before or 'nothing'} -> {one.after or 'nothing'}"
