"""Batch and transaction Bundles (FHIR R4 http.html, batch/transaction)."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

from service.fhir.json import Tree
from service.interactions.context import Context
from service.interactions.write import Applied
from service.store.contract import Store, Transaction

__all__ = ["Entry", "Same", "apply", "check", "entries", "process"]

Return = Literal["minimal", "representation", "OperationOutcome"]
Same = Callable[[Tree, Tree], bool]
"""Whether the stored tree (first) and the new one say the same, so that nothing need be written."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry's request; ``index`` is its place in the Bundle, ``url`` relative to the base."""

    index: int
    method: str
    url: str
    full_url: str = ""
    resource: Tree | None = None
    if_match: str | None = None
    if_none_exist: str | None = None


async def process(store: Store, body: bytes, *, context: Context, prefer: Return = "minimal") -> bytes:
    """Carry out a batch or transaction Bundle and answer the response Bundle, entries in the request's order.

    A transaction that fails raises (issues name the entry) and leaves nothing; in a batch each entry has its
    own outcome.
    """


def entries(bundle: Tree, *, context: Context) -> tuple[Entry, ...]:
    """Read the requests of a Bundle; InvalidInput names every entry that is not a usable request."""


def check(requests: Sequence[Entry]) -> None:
    """Check the resources of write requests; RuleViolation or InvalidInput with every problem and its entry."""


async def apply(
    txn: Transaction, requests: Sequence[Entry], *, context: Context, same: Same | None = None
) -> list[Applied]:
    """Carry out the writes of one transaction inside ``txn``; answers in the order of ``requests``.

    References to entries' fullUrls and conditional references are rewritten in place. The resources must have
    been checked before.
    """
