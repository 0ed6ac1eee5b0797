"""A release of research data made by a running service: one at a time, as two would both draw random ids."""

import asyncio
import random
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass

from service.errors import StoreUnavailable
from service.jobs.goal_statuses import statuses_by_visit
from service.jobs.research_export import Request, ResearchExport
from service.jobs.research_place import releases_in, vaults_in
from service.jobs.research_policies import load_variant
from service.jobs.research_source import ResearchSource
from service.jobs.research_work import Work
from service.jobs.runs import Runs
from service.settings import Settings
from service.store.contract import Store

__all__ = ["ResearchRuns"]


@dataclass(frozen=True, slots=True)
class ResearchRuns:
    """What releases are made of; ``alone`` is held while one runs."""

    store: Store
    settings: Settings
    runs: Runs
    alone: asyncio.Lock

    @asynccontextmanager
    async def released(
        self, asked: Request, project: str, *, computed: bool = False
    ) -> AsyncIterator[ResearchExport]:
        """The one export that may run now, with goal statuses computed by visit if wanted."""
        if self.alone.locked():
            raise StoreUnavailable("Another export is running; try again when it has finished.")
        settings = self.settings
        load_variant(asked.variant)  # before a project of that name is made
        vaults = vaults_in(settings.data_dir, settings.vault_key_file)
        async with self.alone:
            with (
                self.runs.run("research-export") as counts,
                vaults.working(project, asked.variant) as vault,
                Work(random.SystemRandom()) as work,
            ):
                source = ResearchSource(self.store, asked.now.date())
                release = ResearchExport(
                    source,
                    asked,
                    vault=vault,
                    releases=releases_in(settings.data_dir),
                    work=work,
                    computed=statuses_by_visit(source, asked.variant, settings) if computed else None,
                    smallest=settings.smallest_cell,
                )
                yield release
                counts.update(release.report.counts)
