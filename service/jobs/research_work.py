"""Where the work of an export is done: in a thread of this process, or by several processes."""

import asyncio
import multiprocessing
from collections.abc import Awaitable
from concurrent.futures import ProcessPoolExecutor
from types import TracebackType
from typing import Self

from service.interactions.aside import aside
from service.jobs.research_person import Outcome, Person, Random, deidentified

__all__ = ["Work"]

_EACH = 2
"""People handed out to each process at once, so that none waits for the next."""


class Work:
    """Starts the work on one person after the other: ``with Work(chance) as work``."""

    def __init__(self, chance: Random, processes: int = 1) -> None:
        """More than one of ``processes``: as many of their own, which draw names by themselves."""
        self.chance = chance
        self.at_once = processes * _EACH if processes > 1 else 0
        # A copy of this process would hold its threads' locks and its database for ever.
        fresh = multiprocessing.get_context("spawn")
        self._pool = ProcessPoolExecutor(processes, mp_context=fresh) if processes > 1 else None

    def __enter__(self) -> Self:
        """Nothing is started before it is needed."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """End the processes."""
        if self._pool is not None:
            self._pool.shutdown(cancel_futures=True)

    def start(self, person: Person) -> Awaitable[Outcome]:
        """Answer what will become of a person."""
        if self._pool is None:
            return aside(deidentified, person, self.chance)
        return asyncio.wrap_future(self._pool.submit(deidentified, person))
