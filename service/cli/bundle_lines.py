"""Taking in transaction Bundles, one a line of NDJSON files, into the store or over HTTP."""

from collections.abc import Awaitable, Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import stamina

from service.cli.group import sentence
from service.cli.loading import NotTaken, Unreachable, reasons
from service.cli.local import local_context
from service.errors import ServiceError
from service.fhir.json import Tree, reread
from service.interactions.transaction import process
from service.jobs.http_client import Client, HTTPStatusError, TransportError, worth_retrying
from service.settings import Settings
from service.store.contract import Store

__all__ = ["LoadedBundles", "bundles_into_store", "bundles_over_http", "is_bundles", "load_bundles"]

TakeIn = Callable[[bytes], Awaitable[Tree]]


@dataclass(slots=True)
class LoadedBundles:
    """What a load did; resources that were not created were updated or stayed as they were."""

    bundles: int = 0
    created: int = 0
    others: int = 0
    refused: list[str] = field(default_factory=list)
    unreachable: bool = False

    def add(self, response: Tree) -> None:
        """Count one Bundle that was taken in."""
        statuses = [entry["response"]["status"] for entry in response.get("entry", ())]
        created = sum(status.startswith("201") for status in statuses)
        self.bundles += 1
        self.created += created
        self.others += len(statuses) - created

    def summary(self) -> str:
        """One line: Bundles, resources, refused."""
        ended = "; the service stopped answering, the rest was not sent" if self.unreachable else ""
        return (
            f"{self.bundles} Bundles: {self.created} resources created, {self.others} updated or unchanged; "
            f"{len(self.refused)} Bundles refused{ended}."
        )


def is_bundles(path: Path) -> bool:
    """Whether a file holds Bundles, one a line."""
    return path.suffix.lower() == ".ndjson"


async def load_bundles(paths: Sequence[Path], take_in: TakeIn) -> LoadedBundles:
    """Take in every line in order, each whole or not at all; a refused one does not stop the others."""
    loaded = LoadedBundles()
    for where, line in _lines(paths):
        try:
            loaded.add(await take_in(line))
        except NotTaken as refused:
            loaded.refused.append("\n".join(f"{where}: {reason}" for reason in refused.reasons))
        except Unreachable:
            loaded.unreachable = True
            break
    return loaded


def bundles_into_store(store: Store, settings: Settings) -> TakeIn:
    """Take Bundles into a store of this machine."""
    context = local_context(settings)

    async def take_in(line: bytes) -> Tree:
        try:
            return reread(await process(store, line, context=context))
        except ServiceError as error:
            raise NotTaken([sentence(issue) for issue in error.issues]) from None

    return take_in


def bundles_over_http(client: Client) -> TakeIn:
    """Post Bundles to a running service; passing faults are tried again, and repeating is harmless."""

    async def take_in(line: bytes) -> Tree:
        headers = {"Content-Type": "application/fhir+json"}
        try:
            async for attempt in stamina.retry_context(on=worth_retrying, attempts=5):
                with attempt:
                    response = await client.post("/fhir", content=line, headers=headers)
                    response.raise_for_status()
        except HTTPStatusError as error:
            raise NotTaken(reasons(error)) from None
        except TransportError:
            raise Unreachable from None
        return reread(response.content)

    return take_in


def _lines(paths: Sequence[Path]) -> Iterator[tuple[str, bytes]]:
    """Name and content of every line that is not empty."""
    for path in paths:
        with path.open("rb") as file:
            for number, line in enumerate(file, 1):
                if line.strip():
                    yield f"{path.name}, line {number}", line
