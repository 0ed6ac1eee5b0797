"""Cohorts of the research tables that a service has: counted one at a time, and kept while the tables stay.

A page, what it draws and what it offers to save ask the same; only the first of them is counted.
"""

import asyncio
from pathlib import Path

from service.deidentify.cells import SMALLEST_TOLD
from service.errors import NotFound, StoreUnavailable
from service.jobs.cohort_answer import CohortAnswer
from service.jobs.cohort_question import Question, question
from service.jobs.cohort_run import told_in
from service.jobs.cohort_sources import Source, sources_in

__all__ = ["Cohorts"]

_KEPT = 16
"""Answers; each is a few thousand numbers."""

Stamp = tuple[tuple[str, int, int], ...]


class Cohorts:
    """``tables`` is a folder of research tables or of such folders, empty for none."""

    def __init__(self, tables: str = "", smallest: int = SMALLEST_TOLD) -> None:
        """``smallest`` is the smallest count above 0 that is told."""
        self.tables, self.smallest = tables, smallest
        self.counting = asyncio.Lock()
        self._answers: dict[tuple[Question, Stamp], CohortAnswer] = {}

    async def told(self, given: dict[str, list[str]]) -> CohortAnswer:
        """Tell of a cohort that is asked for in texts by name.

        InvalidInput: what can't be asked or read. NotFound: there are no tables. StoreUnavailable: another
        cohort is being counted.
        """
        asked = question(given, self.smallest)
        key = asked, await asyncio.to_thread(_stamp, self._place())
        if key not in self._answers:
            await self._count(key)
        return self._answers[key]

    async def sites(self) -> tuple[Source, ...]:
        """The folders of tables; InvalidInput and NotFound as above."""
        return await asyncio.to_thread(sources_in, self._place())

    async def _count(self, key: tuple[Question, Stamp]) -> None:
        if self.counting.locked():
            raise StoreUnavailable("Another cohort is being counted; try again when it has finished.")
        async with self.counting:
            answer = await asyncio.to_thread(told_in, self._place(), key[0])
        for oldest in list(self._answers)[: 1 - _KEPT]:
            del self._answers[oldest]
        self._answers[key] = answer

    def _place(self) -> Path:
        if not self.tables:
            raise NotFound("There are no research tables here to tell of (SWALLOW_COHORT_TABLES).")
        return Path(self.tables)


def _stamp(place: Path) -> Stamp:
    """What changes when a file of the tables does."""
    files = [file for file in (*place.glob("*"), *place.glob("*/*")) if file.is_file()]
    told = [(file, file.stat()) for file in sorted(files)]
    return tuple((str(file), stat.st_mtime_ns, stat.st_size) for file, stat in told)
