"""Invented people in a store of their own, for every measurement alike."""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path

from service.cli.local import local_context, opened, settings_for
from service.interactions.context import Context
from service.operations import visit_intake
from service.operations.receipt import Receipt
from service.operations.upload import Upload, UploadPart
from service.settings import Settings
from service.store.contract import Store
from tests.invented_visits import visit_records

__all__ = ["VISITS", "Bench", "bench", "upload", "uploads"]

VISITS = 8
"""Visit records of each person."""


@dataclass(frozen=True, slots=True)
class Bench:
    """A store and what taking in needs."""

    store: Store
    database: Path
    settings: Settings
    context: Context

    async def accept(self, upload: Upload, *, dry_run: bool = False) -> Receipt:
        """Take in one record as the service does."""
        return await visit_intake.accept(
            self.store, upload, settings=self.settings, context=self.context, dry_run=dry_run
        )


@asynccontextmanager
async def bench(folder: Path, database_url: str = "") -> AsyncIterator[Bench]:
    """An empty store in ``folder``, or the PostgreSQL at ``database_url``."""
    settings = settings_for(folder, database_url=database_url)
    async with opened(settings) as store:
        yield Bench(store, folder / "swallow.sqlite", settings, local_context(settings))


def uploads(people: int) -> list[Upload]:
    """Eight visits of each person, as YAML, in time order."""
    return [upload(record) for record in visit_records(people)]


def upload(record: tuple[str, str]) -> Upload:
    """A record of this name and YAML text."""
    name, text = record
    return Upload((UploadPart("record", text.encode(), file_name=name),))
