"""Writing the files of an identified bulk export: what was stored at its moment, a stretch at a time.

Nothing is held open in the database: each stretch asks what its versions were when the export began, so that
writes go on meanwhile and an export that was broken off goes on where it was.
"""

import time
from collections import defaultdict
from collections.abc import AsyncIterator, Callable, Sequence

from service.errors import Issue, IssueType, Severity
from service.fhir.json import dump, reread
from service.fhir.outcome import operation_outcome
from service.fhir.references import local_target
from service.fhir.search_keys import extract
from service.fhir.search_query import Clause, ReferenceValue
from service.jobs.bulk_files import BulkFiles
from service.jobs.bulk_job import BulkJob
from service.jobs.bulk_selection import Selection, deletion_line
from service.operations.bulk_parameters import PROVENANCE
from service.store.contract import Query, States, Store, Version
from service.store.pages import every

__all__ = ["walk"]

_STRETCH = 500
"""Numbers of versions looked at at once."""
_NOTED_S = 2.0
"""Seconds of work that are lost at most when a process is killed."""
_TARGET = "Provenance.target"
_BUNDLES = "Bundle"
Taken = tuple[Version, Sequence[str]]


async def walk(job: BulkJob, files: BulkFiles, selection: Selection, seen: Callable[[], Store]) -> None:
    """Write the files of ``job`` from where they are to their end.

    ``seen`` answers the store as the caller sees it now. OSError if the export was taken away meanwhile.
    """
    walking = _Walk(job, files, selection)
    noted = time.monotonic()
    if job.request.left_out and not files.progress.pieces:
        await files.do(files.write, "error", "OperationOutcome", [_remarks(job.request.left_out)])
    async for position, stretch in walking.stretches(seen):
        await files.do(walking.write, stretch)
        if time.monotonic() - noted > _NOTED_S:
            await files.do(files.note, position)
            noted = time.monotonic()


class _Walk:
    """Two ways through the versions: those that leave, and then their Provenance where that is asked for."""

    def __init__(self, job: BulkJob, files: BulkFiles, selection: Selection) -> None:
        self._job = job
        self._files = files
        self._selection = selection
        self._associated = job.request.associated
        self._types = tuple(one for one in job.request.types if not (self._associated and one == PROVENANCE))

    async def stretches(self, seen: Callable[[], Store]) -> AsyncIterator[tuple[int, list[Taken]]]:
        """Position and what leaves, in order; in the second way positions go on behind those of the first."""
        job, position = self._job, self._files.progress.position
        while self._types and position < job.as_of:
            after, position = position, min(position + _STRETCH, job.as_of)
            store = seen()
            found = await store.states(self._states(after, position, self._types))
            yield position, await self._taken(store, found)
        position = max(position, job.as_of)
        while position < job.end:
            after, position = position, min(position + _STRETCH, job.end)
            store = seen()
            query = States(after - job.as_of, position - job.as_of, job.as_of, (PROVENANCE,))
            found = [one for one in await store.states(query) if not one.deleted]
            taken = await self._selection.taken(store, found)
            yield position, [(one, people) for one, people in taken if await self._goes_along(store, one)]

    def write(self, stretch: Sequence[Taken]) -> None:
        """Write what leaves, and note whom it is about."""
        lines: dict[str, list[bytes]] = defaultdict(list)
        line, known = self._selection.line, self._files.people
        for version, people in stretch:
            if version.deleted:
                self._files.write("deleted", _BUNDLES, [deletion_line([version])])
                continue
            lines[version.type].append(line(version))
            for one in people:
                known[one] = None
        for type_, texts in lines.items():
            self._files.write("output", type_, texts)

    def _states(self, after: int, until: int, types: tuple[str, ...]) -> States:
        request = self._job.request
        # by the number where the moment is one of ours, which tells more than a clock
        since = request.since if self._job.after is None else ""
        return States(after, until, self._job.as_of, types, since)

    async def _taken(self, store: Store, versions: Sequence[Version]) -> list[Taken]:
        """What leaves of a stretch; deletions only tell who has fetched before."""
        request = self._job.request
        there = await self._selection.taken(store, [one for one in versions if not one.deleted])
        if not request.since:
            return there
        gone = [one for one in versions if one.deleted]
        if not gone:
            return there
        before = {one.sequence: await self._before(store, one) for one in gone}
        whose = {
            one.sequence for one, _ in await self._selection.taken(store, [v for v in before.values() if v])
        }
        free = not (request.level or request.filters)
        told = [
            one
            for one in gone
            if free or ((was := before[one.sequence]) is not None and was.sequence in whose)
        ]
        return [*there, *((one, ()) for one in told)]

    async def _before(self, store: Store, deleted: Version) -> Version | None:
        """What was deleted, as long as it is kept."""
        return (
            await store.vread(deleted.type, deleted.id, deleted.version - 1) if deleted.version > 1 else None
        )

    async def _goes_along(self, store: Store, provenance: Version) -> bool:
        """Whether a Provenance tells of something that leaves; of the newest alone if that is asked for."""
        keys = extract(reread(provenance.content), base=self._job.base)
        for target in dict.fromkeys(key.target for key in keys.references if key.name == _TARGET):
            if not await self._leaves(store, target):
                continue
            if self._associated == "relevant" or await self._newest(store, target) == provenance.id:
                return True
        return False

    async def _leaves(self, store: Store, target: str) -> bool:
        type_, _, id_ = local_target(target).partition("/")
        if type_ not in self._types:
            return False
        found = await store.read(type_, id_)
        while found is not None and found.sequence > self._job.as_of and found.version > 1:
            found = await store.vread(type_, id_, found.version - 1)
        if found is None or found.deleted or found.sequence > self._job.as_of:
            return False
        states = self._states(found.sequence - 1, found.sequence, (type_,))
        new = found.sequence > (self._job.after or 0) and (
            not states.since or found.last_updated > states.since
        )
        return new and bool(await self._selection.taken(store, [found]))

    async def _newest(self, store: Store, target: str) -> str:
        """The id of the Provenance of a resource that was written last."""
        clause = Clause((_TARGET,), "reference", (ReferenceValue((target,)),))
        newest = ("", 0)
        async for one in every(store, Query(PROVENANCE, (clause,), count=50, total="none")):
            if newest[1] < one.sequence <= self._job.as_of:
                newest = (one.id, one.sequence)
        return newest[0]


def _remarks(sentences: Sequence[str]) -> bytes:
    """What was asked for and left out, as an outcome."""
    issues = [Issue(text, Severity.WARNING, IssueType.NOT_SUPPORTED) for text in sentences]
    return dump(operation_outcome(issues))
