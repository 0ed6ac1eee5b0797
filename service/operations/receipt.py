"""What became of a visit record, as it is answered to the sender."""

from collections.abc import Sequence
from dataclasses import dataclass

from service.errors import Issue
from service.fhir.json import Tree
from service.interactions.entry import Applied, Entry
from service.records.parts import in_error
from service.records.visit import Identifier

__all__ = ["Receipt", "receipt_of", "reference_of"]


@dataclass(frozen=True, slots=True)
class Receipt:
    """What became of a visit record.

    The lists are references ``Type/id``. ``warnings`` are things to look at. ``bundle`` is there after a dry
    run only: the transaction that would have been carried out; the references are then examples.
    """

    record: Identifier
    created: tuple[str, ...] = ()
    updated: tuple[str, ...] = ()
    unchanged: tuple[str, ...] = ()
    removed: tuple[str, ...] = ()
    warnings: tuple[Issue, ...] = ()
    bundle: Tree | None = None

    @property
    def changed(self) -> tuple[str, ...]:
        """References to everything written."""
        return (*self.created, *self.updated, *self.removed)


def reference_of(applied: Applied) -> str:
    """``Type/id`` of what a write was about; empty if there was nothing."""
    return f"{applied.version.type}/{applied.version.id}" if applied.version else ""


def receipt_of(
    record: Identifier,
    requests: Sequence[Entry],
    applied: Sequence[Applied],
    *,
    warnings: tuple[Issue, ...],
    bundle: Tree | None,
) -> Receipt:
    """Sort what was done; a part that was deleted or now says it is an error counts as removed."""
    done: dict[str, list[str]] = {"created": [], "updated": [], "unchanged": [], "removed": []}
    for request, one in zip(requests, applied, strict=True):
        gone = one.outcome == "deleted" or (
            one.outcome == "updated" and request.resource is not None and in_error(request.resource)
        )
        done["removed" if gone else one.outcome].append(reference_of(one))
    return Receipt(
        record,
        tuple(done["created"]),
        tuple(done["updated"]),
        tuple(done["unchanged"]),
        tuple(done["removed"]),
        warnings,
        bundle,
    )
