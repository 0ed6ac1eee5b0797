"""Operations as entries of a Bundle (FHIR R4 http.html, batch/transaction).

What the operations are is known above this room, so the Bundle is handed something that can answer them.
"""

from typing import NoReturn, Protocol

from service.errors import InvalidInput, Issue, IssueType
from service.interactions.entry import Entry
from service.store.contract import Transaction

__all__ = ["NoOperations", "Operations"]


class Operations(Protocol):
    """The operations that entries may call."""

    def permit(self, entry: Entry, *, inside: bool) -> None:
        """Raise if there is no such operation, or the caller may not call it.

        ``inside`` a transaction one that changes what is stored is refused, as operations have no place in
        the order in which a transaction writes.
        """
        ...

    async def answer(self, entry: Entry, source: Transaction | None) -> bytes:
        """Call it and answer the resource it answers; it reads from ``source`` inside a transaction."""
        ...


class NoOperations:
    """For Bundles of the service's own: none."""

    def permit(self, entry: Entry, *, inside: bool) -> NoReturn:  # noqa: ARG002 - as the protocol has it
        """Refuse every operation."""
        raise InvalidInput(Issue(f"{entry.operation} can't be called here.", code=IssueType.NOT_SUPPORTED))

    async def answer(self, entry: Entry, source: Transaction | None) -> NoReturn:  # noqa: ARG002
        """Refuse every operation."""
        self.permit(entry, inside=True)
