"""Numbers of the texts that repeat, on PostgreSQL.

A word is numbered in a transaction of its own, so that two works with the same new word never wait for each
other; one that nobody uses in the end does no harm. Numbers are remembered. They are taken back by one thing
alone, which lets nobody write or learn meanwhile and raises the generation first (``SWEEP``): a work that
writes tells the generation it meets when it holds its locks, and is done again if its numbers are of another.
"""

from collections.abc import Mapping, Sequence
from contextlib import AbstractAsyncContextManager
from typing import Any, Protocol

from service.store.postgres_sql import shortened

__all__ = ["GENERATION", "SWEEP", "Words", "WordsTakenBack"]

_MOST = 100_000
_FOUND = "SELECT text, key FROM word WHERE text = ANY($1::text[])"
GENERATION = "(SELECT CASE WHEN is_called THEN last_value ELSE 0 END FROM word_generation)"
SWEEP = (
    "SET LOCAL lock_timeout TO 5000",  # whoever looks for a word stands behind whoever waits for all of them
    "LOCK TABLE word IN ACCESS EXCLUSIVE MODE",
    "SELECT nextval('word_generation')",
)
"""What comes before words are taken away, in a transaction that keeps everybody from writing."""
_ADDED = "INSERT INTO word (text) SELECT unnest($1::text[]) ON CONFLICT (text) DO NOTHING"


class WordsTakenBack(Exception):
    """Numbers may be taken back that a work has used; ``generation`` is the present one."""

    def __init__(self, generation: int) -> None:
        """Take the generation that was met."""
        super().__init__()
        self.generation = generation


class _Connection(Protocol):
    async def fetch(self, query: str, *args: Any) -> Sequence[Sequence[Any]]: ...

    async def execute(self, query: str, *args: Any) -> Any: ...

    def transaction(self) -> AbstractAsyncContextManager[Any]: ...


class Words:
    """The words this process knows the numbers of."""

    def __init__(self) -> None:
        """Start with nothing but the empty text, which is no word."""
        self._known: dict[str, int] = {"": 0}
        self.generation = 0

    def forget(self, generation: int) -> None:
        """Remember nothing that is older than a generation."""
        self._known, self.generation = {"": 0}, generation

    def known(self, text: str) -> int | None:
        """Answer the number of a word if it is remembered."""
        return self._known.get(text)

    def unknown(self, texts: set[str]) -> set[str]:
        """Answer those of the texts that ``learn`` has to look up."""
        return texts - self._known.keys()

    def numbers(self, texts: set[str]) -> Mapping[str, int]:
        """Answer the numbers of words that are all remembered."""
        return {text: self._known[text] for text in texts}

    async def learn(self, connection: _Connection, texts: set[str]) -> None:
        """Remember the number of each text, giving it one if it is new; not if all was forgotten meanwhile.

        ``connection`` must not be inside a transaction.
        """
        if len(self._known) > _MOST:  # patients come and go; systems and names are soon known again
            self._known = {"": 0}
        generation = self.generation
        short = {shortened(text): text for text in texts if text}  # the empty text is no word: number 0
        found = await _found(connection, list(short))
        if missing := sorted(short.keys() - found.keys()):
            async with connection.transaction():
                # The commit of the work that uses them flushes these words along with it.
                await connection.execute("SET LOCAL synchronous_commit TO off")
                await connection.execute(_ADDED, missing)
            found |= await _found(connection, missing)
        if generation == self.generation:
            self._known |= {text: found[key] for key, text in short.items()}


async def _found(connection: _Connection, texts: list[str]) -> dict[str, int]:
    return {row[0]: row[1] for row in await connection.fetch(_FOUND, texts)}
