"""Bulk exports of one process: taken on, worked at beside the requests, removed when their time is over.

Any number of processes share the exports of a database: each works at those that nobody else works at, and
one that was killed leaves its own to the others.
"""

import asyncio
import logging
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import datetime

from service.errors import ServiceError, StoreUnavailable, TooManyRequests
from service.fhir.datetimes import instant, milliseconds
from service.interactions.context import Context, allow_everything
from service.jobs.bulk_files import BulkFiles
from service.jobs.bulk_job import BulkFolder, BulkJob, Exports, Progress, Told
from service.jobs.bulk_release import release
from service.jobs.bulk_selection import Selection
from service.jobs.bulk_walk import walk
from service.jobs.research_run import ResearchRuns
from service.jobs.runs import Runs
from service.operations.bulk_parameters import BulkRequest
from service.security.asker import Asker, Here, seen_by
from service.security.audit import Facts
from service.security.audit_event import events_of
from service.security.pace import Pace
from service.security.remembered import Remembered
from service.settings import Settings
from service.store.code_lists import CodeLists
from service.store.contract import Settled, Store
from service.store.entries import Entries, Entry

__all__ = ["BulkExports"]

_log = logging.getLogger("service.bulk")
_JOB = "bulk-export"
_LOOK_S = 1.0
_AGAIN_S = 5.0
"""After so long what could not be read is tried again."""
_AT_ONCE = 3
"""So many times a client may ask at once, before it has to wait as it was told."""
_REMEMBERED_S = 400 * 86_400
"""For so long an export can be continued by its transactionTime exactly; then by the clock."""


@dataclass(slots=True)
class BulkExports:
    """The exports of ``store``, as far as this process works at them; ``now`` answers the present."""

    settings: Settings
    store: Store
    entries: Entries
    now: Callable[[], datetime]
    remembered: Remembered
    code_lists: CodeLists
    runs: Runs
    releasing: asyncio.Lock
    """Held while a research export runs."""
    lines: int = 0
    """Lines that this process has written."""
    exports: Exports = field(init=False)
    pace: Pace = field(init=False)
    """How often somebody may ask for one export that is not ready."""
    _wake: asyncio.Event = field(default_factory=asyncio.Event)
    _working: dict[str, asyncio.Task[None]] = field(default_factory=dict)
    _resting: dict[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        """Find the folder."""
        self.exports = Exports(self.settings.export_folder)
        wait_s = self.settings.export_poll_seconds
        self.pace = Pace(1 / wait_s, _AT_ONCE * wait_s, time.monotonic)

    def seen_by(self, asker: Asker, base: str) -> Store:
        """The store as the caller sees it."""
        here = Here(self.settings.zone, base, self.now)
        return seen_by(self.store, asker, here, self.settings.clinician_reach, self.remembered)

    async def settled(self) -> tuple[str, Settled]:
        """Answer a transactionTime that no other export has, and what was stored then."""
        found = await self.store.settled()
        newest = milliseconds(datetime.fromisoformat(found.last_updated)) if found.last_updated else 0
        moment = max(milliseconds(self.now()), newest)
        expires = int(self.now().timestamp() + _REMEMBERED_S)
        while not await self.entries.enter(
            Entry("settled", instant(moment), expires, str(found.sequence)), once=True
        ):
            moment += 1
        return instant(moment), found

    async def begin(  # noqa: PLR0913 - what an export is
        self, asker: Asker, request: BulkRequest, *, moment: str, settled: Settled, base: str, address: str
    ) -> str:
        """Take an export on and answer its id; TooManyRequests if the client has too many."""
        mine = [job for job, _ in await asyncio.to_thread(self.exports.all) if _same(job.asker, asker)]
        if len(mine) >= self.settings.export_most:
            raise TooManyRequests(
                f"There are {len(mine)} exports of this client already; delete those that are not needed.",
                self.settings.export_poll_seconds,
            )
        job = BulkJob(
            self.exports.new_id(),
            asker,
            base,
            address,
            request,
            moment,
            settled.sequence,
            self.now().timestamp(),
            await self._number(request.since),
        )
        await asyncio.to_thread(self.exports.add, job)
        self._wake.set()
        return job.id

    async def run(self) -> None:
        """Work at exports until cancelled; whatever goes wrong with one is told of it."""
        try:
            while True:
                try:
                    await self._look()
                except OSError as error:
                    _log.warning("The folder of exports can't be read now (%s).", type(error).__name__)
                with suppress(TimeoutError):
                    await asyncio.wait_for(self._wake.wait(), _LOOK_S)
                self._wake.clear()
        finally:
            for task in self._working.values():
                task.cancel()
            await asyncio.gather(*self._working.values(), return_exceptions=True)

    async def _look(self) -> None:
        """Begin to work at what nobody works at, and remove what has expired."""
        self._working = {id_: task for id_, task in self._working.items() if not task.done()}
        found = await asyncio.to_thread(self.exports.all)
        for job, folder in found:
            progress = folder.progress
            if progress is None:
                continue
            if progress.ended:
                if self.expires(progress) < self.now().timestamp():
                    await asyncio.to_thread(folder.remove)
            elif (
                len(self._working) < self.settings.export_jobs
                and job.id not in self._working
                and self._resting.pop(job.id, 0.0) <= time.monotonic()
            ):
                self._working[job.id] = asyncio.create_task(self.work(job, folder))

    def expires(self, progress: Progress) -> float:
        """When the files of an export that has ended are removed, in seconds since 1970."""
        return progress.ended + self.settings.export_hours * 3_600

    async def work(self, job: BulkJob, folder: BulkFolder) -> None:
        """Write an export to its end, unless somebody else works at it."""
        with folder.claimed() as mine:
            progress = folder.progress if mine else None
            if progress is None or progress.ended:
                return
            if job.request.variant:
                progress = Progress(0)
            try:
                with self.runs.run(_JOB) as counts:
                    await self._written(job, folder, progress)
                    counts["lines"] = progress.lines
            except FileNotFoundError:  # it was deleted meanwhile
                return
            except (StoreUnavailable, OSError):  # what was written so far is gone on from
                self._resting[job.id] = time.monotonic() + _AGAIN_S
            except ServiceError as error:
                self._failed(folder, progress, error)
            except Exception as error:  # noqa: BLE001 - told of this export, the others go on
                _log.error("An export failed (%s).", type(error).__name__)
                self._failed(folder, progress, ServiceError("The export failed inside the service."))

    async def _written(self, job: BulkJob, folder: BulkFolder, progress: Progress) -> None:
        files = await asyncio.to_thread(
            lambda: BulkFiles(folder, progress, largest=int(self.settings.export_file_mb * 1_000_000))
        )
        before = progress.lines
        try:
            if job.request.variant:
                runs = ResearchRuns(self.store, self.settings, self.runs, self.releasing)
                await release(job, files, runs, self.now().astimezone(self.settings.zone))
            else:
                selection = Selection(job.request, self._context(job))
                await walk(job, files, selection, lambda: self.seen_by(job.asker, job.base))
            await files.do(files.note, job.end)
            await self.store.audit(events_of(_facts(job, files.people), 200))
            progress.ended = self.now().timestamp()
            await files.do(files.note, job.end)
        finally:
            self.lines += progress.lines - before
            await files.do(files.close)

    def _failed(self, folder: BulkFolder, progress: Progress, error: ServiceError) -> None:
        progress.error = type(error).__name__
        progress.problems = tuple(Told(str(one.code), one.message) for one in error.issues)
        progress.ended = self.now().timestamp()
        with suppress(OSError):
            folder.note(progress)

    def _context(self, job: BulkJob) -> Context:
        moment = datetime.fromisoformat(job.moment)
        return Context(
            base=job.base,
            allow=allow_everything,  # what may be read was asked when it was taken on, and the store confines
            zone=self.settings.zone,
            clock=lambda: moment,
            licence=self.settings.snomed,
            code_lists=self.code_lists,
        )

    async def _number(self, since: str) -> int | None:
        """The newest number at the transactionTime of an earlier export; None for other times."""
        marks = {one.name: one.content for one in await self.entries.entries("settled")} if since else {}
        return int(marks[since]) if since in marks else None


def _same(one: Asker, other: Asker) -> bool:
    return one.is_same(other.issuer, other.subject, other.client)


def _facts(job: BulkJob, people: dict[str, None]) -> Facts:
    """What an AuditEvent tells of an export: who, what they asked for, and everybody it is about."""
    return Facts(
        subtype="operation",
        kind="110106",
        principal=job.asker.principal,
        agent=job.asker.agent,
        query=f"{job.address} {job.id}",
        patients=people,
    )
