"""Taking in many visit records, one after the other, into the store or over HTTP."""

from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import stamina
from tqdm import tqdm

from service.cli.group import sentence
from service.cli.local import local_context
from service.cli.record_files import RecordFile
from service.errors import ServiceError
from service.jobs.http_client import Client, HTTPStatusError, TransportError, worth_retrying
from service.operations.visit_intake import accept
from service.settings import Settings
from service.store.contract import Store

__all__ = ["Counts", "Loaded", "NotTaken", "Unreachable", "into_store", "load_all", "over_http", "reasons"]


@dataclass(frozen=True, slots=True)
class Counts:
    """Resources written or left as they were for one record, and the warnings."""

    created: int
    updated: int
    unchanged: int
    removed: int
    warnings: tuple[str, ...] = ()


class NotTaken(Exception):
    """A record was refused; the argument is the list of reasons."""

    def __init__(self, reasons: Sequence[str]) -> None:
        """Keep the reasons."""
        super().__init__(*reasons)
        self.reasons = tuple(reasons)


class Unreachable(Exception):
    """The service stopped answering."""


TakeIn = Callable[[RecordFile], Awaitable[Counts]]


@dataclass(slots=True)
class Loaded:
    """What a load did."""

    records: int = 0
    created: int = 0
    updated: int = 0
    unchanged: int = 0
    removed: int = 0
    warnings: list[str] = field(default_factory=list)
    refused: list[str] = field(default_factory=list)
    not_sent: int = 0

    def add(self, counts: Counts) -> None:
        """Count one record that was taken in."""
        self.records += 1
        self.created += counts.created
        self.updated += counts.updated
        self.unchanged += counts.unchanged
        self.removed += counts.removed

    def summary(self) -> str:
        """One line: records, resources, refused."""
        not_sent = f"; {self.not_sent} not sent, the service stopped answering" if self.not_sent else ""
        return (
            f"{self.records} records: {self.created} resources created, {self.updated} updated, "
            f"{self.unchanged} unchanged, {self.removed} removed; "
            f"{len(self.refused)} records refused{not_sent}."
        )


async def load_all(files: Sequence[RecordFile], take_in: TakeIn) -> Loaded:
    """Take in every record in order, with a progress bar; a refused one does not stop the others."""
    loaded = Loaded()
    for done, file in enumerate(tqdm(files, unit="record", disable=None)):
        try:
            counts = await take_in(file)
        except NotTaken as refused:
            loaded.refused.append("\n".join(f"{file.path.name}: {reason}" for reason in refused.reasons))
        except Unreachable:
            loaded.not_sent = len(files) - done
            break
        else:
            loaded.add(counts)
            loaded.warnings.extend(f"{file.path.name}: {warning}" for warning in counts.warnings)
    return loaded


def into_store(store: Store, settings: Settings) -> TakeIn:
    """Take records into a store of this machine."""
    context = local_context(settings)

    async def take_in(file: RecordFile) -> Counts:
        try:
            receipt = await accept(store, file.upload, settings=settings, context=context)
        except ServiceError as error:
            raise NotTaken([sentence(issue) for issue in error.issues]) from None
        return Counts(
            len(receipt.created),
            len(receipt.updated),
            len(receipt.unchanged),
            len(receipt.removed),
            tuple(sentence(issue) for issue in receipt.warnings),
        )

    return take_in


def over_http(client: Client) -> TakeIn:
    """Post records to a running service; passing faults are tried again, and repeating is harmless."""

    async def take_in(file: RecordFile) -> Counts:
        try:
            async for attempt in stamina.retry_context(on=worth_retrying, attempts=5):
                with attempt:
                    response = await client.post("/intake/visits", files=_form(file))
                    response.raise_for_status()
        except HTTPStatusError as error:
            raise NotTaken(reasons(error)) from None
        except TransportError:
            raise Unreachable from None
        return _counts(response.json())

    return take_in


def _form(file: RecordFile) -> list[tuple[str, tuple[str, bytes, str]]]:
    return [
        (part.name, (part.file_name, part.content, part.media_type or "application/octet-stream"))
        for part in file.upload.parts
    ]


def reasons(error: HTTPStatusError) -> list[str]:
    """Why a running service refused, one sentence an issue."""
    try:
        issues = error.response.json()["issue"]
        return [_sentence(issue) for issue in issues]
    except (ValueError, KeyError, TypeError):
        return [f"the service answered {error.response.status_code}"]


def _sentence(issue: dict[str, Any]) -> str:
    """One issue of an OperationOutcome as the command prints it."""
    where = issue.get("diagnostics") or ", ".join(issue.get("expression", []))
    text = issue["details"]["text"]
    return f"{issue['severity']}: {where}: {text}" if where else f"{issue['severity']}: {text}"


def _counts(answer: dict[str, Any]) -> Counts:
    """What the intake's Parameters say was done, and the warnings of its outcome."""
    names = [parameter["name"] for parameter in answer["parameter"]]
    (outcome,) = [one["resource"] for one in answer["parameter"] if one["name"] == "outcome"]
    return Counts(
        created=names.count("created"),
        updated=names.count("updated"),
        unchanged=names.count("unchanged"),
        removed=names.count("removed"),
        warnings=tuple(_sentence(issue) for issue in outcome["issue"] if issue["severity"] == "warning"),
    )
