"""Statements of ours beside the contract: an operator's work, and what jobs keep about themselves."""

from collections.abc import Sequence
from typing import Any, Protocol

from service.store.search_match import Statement

__all__ = ["Asked", "Done"]

_Rows = Sequence[Sequence[Any]]


class Asked(Protocol):
    """What answers statements that only read, and in a transaction also those that write."""

    async def ask(self, statement: Statement) -> _Rows:
        """Answer the rows of one statement, written so that every engine understands it."""
        ...


class Done(Asked, Protocol):
    """What also writes, one statement a transaction."""

    async def do(self, statement: Statement) -> _Rows:
        """Run one statement and answer its rows; what it wrote is durable when this returns.

        It may be run twice where the connection was lost meanwhile, and then says what it found the second
        time.
        """
        ...
