"""A store that takes in visit records, and what can be seen of it afterwards."""

import asyncio
from datetime import UTC, datetime

from service.fhir.json import dump, parse
from service.interactions.context import Context, allow_everything
from service.interactions.write import update
from service.operations.upload import Upload, UploadPart
from service.operations.visit_intake import accept
from service.settings import Settings
from service.store.contract import Query
from service.store.sqlite import SqliteStore

RECORDS = "https://clinic.example.org/visit-records"
NOW = datetime(2026, 12, 1, 9, 0, tzinfo=UTC)
CONTEXT = Context("https://intake.example.org/fhir", allow_everything, clock=lambda: NOW)
SETTINGS = Settings(time_zone="America/New_York")


class Desk:
    """Takes in trees; shows stored resources by the path of their record."""

    def __init__(self, folder) -> None:
        self.store = SqliteStore(folder / "store.sqlite", clock=lambda: NOW)

    def send(self, *trees, dry_run=False):
        return [asyncio.run(self.accept(tree, dry_run=dry_run)) for tree in trees][-1]

    async def accept(self, tree, *, dry_run=False):
        upload = Upload((UploadPart("record", dump(tree), "application/json"),), "test client")
        return await accept(self.store, upload, settings=SETTINGS, context=CONTEXT, dry_run=dry_run)

    def all(self, type_):
        page = asyncio.run(self.store.search(Query(type_, count=1_000)))
        return [parse(version.content) for version in page.versions]

    def part(self, path):
        """The stored resource whose identifier ends with ``record/path``."""

        async def work(txn):
            found = await txn.identified(RECORDS, path)
            return [parse(one.content) for one in found if path in values(parse(one.content))]

        (resource,) = asyncio.run(self.store.write("look", work))
        return resource

    def read(self, reference):
        return asyncio.run(self.store.read(*reference.split("/")))

    def put(self, resource):
        """Write a resource as somebody would over FHIR."""
        body = dump(resource)
        asyncio.run(update(self.store, resource["resourceType"], resource["id"], body, context=CONTEXT))

    def sequence(self):
        """How many versions were ever written."""

        async def last():
            return max([version.sequence async for version in self.store.changes()], default=0)

        return asyncio.run(last())


def values(resource):
    identifier = resource["identifier"]
    return [one["value"] for one in (identifier if isinstance(identifier, list) else [identifier])]
