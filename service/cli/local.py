"""The store of this machine, for commands that work without a running service."""

import getpass
import os
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import replace
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import Any

import click

from service.fhir.json import reread
from service.fhir.validation.profiles import Definitions
from service.interactions.apply import keys_of
from service.interactions.context import Context, allow_everything, definitions_with
from service.operations.cue_limits import cue_limits
from service.security.audit import Facts
from service.security.audit_event import events_of
from service.security.noted_store import NotedStore
from service.settings import Settings
from service.store.archive import Movable
from service.store.code_lists import CodeLists
from service.store.contract import Store
from service.store.moving import KeysOf
from service.store.opening import open_store

__all__ = [
    "data_dir_option",
    "found_by",
    "local_context",
    "machine_user",
    "now",
    "opened",
    "recorded",
    "settings_for",
]

data_dir_option = click.option(
    "--data-dir",
    type=click.Path(file_okay=False, path_type=Path),
    help="Folder of the SQLite database and the keys; default SWALLOW_DATA_DIR, else ./swallow-data.",
)


def now() -> datetime:
    """The clock of the command."""
    return datetime.now(UTC)


def settings_for(data_dir: Path | None, **changes: Any) -> Settings:
    """The settings from the environment, with what the command line says on top."""
    if data_dir is not None:
        changes["data_dir"] = data_dir
    return Settings(**changes)


def local_context(settings: Settings) -> Context:
    """What an interaction needs when the command itself carries it out: every right, no address."""
    return Context(
        base="",
        allow=allow_everything,
        zone=settings.zone,
        cue_limits=cue_limits(settings),
        max_depth=settings.max_depth,
        max_bundle_entries=settings.max_bundle_entries,
        clock=now,
        definitions=known_definitions(settings),
        licence=settings.snomed,
        code_lists=CodeLists(settings.code_list_folder),
    )


def machine_user() -> str:
    """Who runs the command, by name, else by number."""
    try:
        return getpass.getuser()
    except (OSError, KeyError):
        return str(os.getuid())


@cache
def known_definitions(settings: Settings) -> Definitions:
    """The profiles known to the command: those of the settings' guides, ours and R4's."""
    return definitions_with(settings.guide_paths)


def found_by(settings: Settings) -> KeysOf:
    """What stored versions are found by at this site."""
    base = f"{settings.base_url}/fhir" if settings.base_url else ""
    context = replace(local_context(settings), base=base)
    return lambda version: keys_of(reread(version.content), version.id, context)


@asynccontextmanager
async def recorded(store: Store, command: str, kind: str) -> AsyncIterator[Store]:
    """The store as a command uses it, which is recorded when it ends, with whom it was about.

    ``kind`` is what it does, a code of DICOM: 110106 export, 110107 import, 110112 query. What it writes is
    recorded with it.
    """
    facts = Facts(subtype="operation", command=command, kind=kind, agent=machine_user())
    status = 500
    try:
        yield NotedStore(store, facts)
        status = 200
    finally:
        if status != 200 or not facts.kept:
            await store.audit(events_of(facts, status))


@asynccontextmanager
async def opened(settings: Settings, *, older: bool = False) -> AsyncIterator[Movable]:
    """The store of the settings, closed at the end; ``older``: its tables may be of an older program."""
    store = await open_store(settings, now, older=older)
    try:
        yield store
    finally:
        await store.close()
