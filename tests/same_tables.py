"""Whether two sets of research tables tell the same, whatever ids they use; those of invented people.

Each id is replaced by what its row says, so that rows that are joined must be joined alike.
"""

import asyncio
import random
from collections import Counter, defaultdict
from datetime import UTC, datetime

from service.fhir.json import dump, reread
from service.interactions.context import Context, allow_everything
from service.interactions.transaction import process
from service.jobs.goal_statuses import statuses_by_visit
from service.jobs.research_export import Request, ResearchExport
from service.jobs.research_place import releases_in, vaults_in
from service.jobs.research_source import ResearchSource
from service.jobs.research_work import Work
from service.jobs.table_export import export_tables
from service.jobs.tables import tables
from service.settings import Settings
from service.store.sqlite import SqliteStore
from service.synthetic.rows import rows_of

NOW = datetime(2026, 12, 1, 9, 0, tzinfo=UTC)

_OUTSIDE = ("episode_id", "plan_id", "procedure_id", "rater")
"""What has no table of its own: told by the rows that share it."""


def straight_rows(people):
    """The rows by table that are made of the people's records without FHIR."""
    rows = defaultdict(list)
    for person in people:
        for table, row in rows_of(person.records):
            rows[table].append(row)
    return rows


def exported_rows(bundles, folder):
    """The rows by table of a release as a limited data set of what the Bundles put on file."""
    asyncio.run(_release(bundles, folder))
    return {
        name: [
            tuple(reread(line)[field.name] for field in table.fields)
            for line in (folder / "out" / f"{name}.ndjson").read_bytes().splitlines()
        ]
        for name, table in tables().items()
    }


async def _release(bundles, folder):
    store = SqliteStore(folder / "store.sqlite", clock=lambda: NOW)
    context = Context("https://demo.example.org/fhir", allow_everything, clock=lambda: NOW)
    variant = "limited-data-set"
    for bundle in bundles:
        await process(store, dump(bundle), context=context)
    source = ResearchSource(store, NOW.date())
    chance = random.Random(1)  # noqa: S311 - chance that can be repeated
    with vaults_in(folder, folder / "key").working("study", variant) as vault, Work(chance) as work:
        release = ResearchExport(
            source,
            Request(variant, NOW, "agreement 1"),
            vault=vault,
            releases=releases_in(folder),
            work=work,
            computed=statuses_by_visit(source, variant, Settings()),
        )
        await export_tables(release, folder / "out", "ndjson")
    await store.close()


def told(rows):
    """A Counter of rows by table; ``rows`` are lists of values in the order of the columns, by table."""
    found = {name: [_Row(table, values) for values in rows.get(name, ())] for name, table in tables().items()}
    names = {}
    for row in found["patient"]:
        visits = [one.plain for one in found["visit"] if one.cell("patient_id") == row.id]
        names[row.id] = hash((row.plain, tuple(sorted(map(str, visits)))))
    for table, several in found.items():
        if table != "patient":
            names |= {row.id: hash((table, row.joined(names))) for row in several}
    shared = _shared(found, names)
    return {
        table: Counter((names[row.id], *row.outside(shared)) for row in several)
        for table, several in found.items()
    }


class _Row:
    def __init__(self, table, values) -> None:
        self.fields = [field.name for field in table.fields]
        self.values = values
        self.id = values[0]
        self.plain = tuple(
            str(value)
            for name, value in zip(self.fields, values, strict=True)
            if not name.endswith("_id") and name not in _OUTSIDE
        )

    def cell(self, name):
        return self.values[self.fields.index(name)]

    def joined(self, names):
        """The plain cells and what the ids of other tables' rows stand for; a row that is missing is told."""
        ids = [name for name in self.fields[1:] if name.endswith("_id") and name not in _OUTSIDE]
        return self.plain, tuple(
            None if self.cell(name) is None else names.get(self.cell(name), "missing") for name in ids
        )

    def outside(self, shared):
        return tuple(shared.get((name, self.cell(name))) for name in _OUTSIDE if name in self.fields)


def _shared(found, names):
    """For each id without a table, a number made of the rows that share it."""
    holders = defaultdict(list)
    for several in found.values():
        for row in several:
            for name in _OUTSIDE:
                if name in row.fields and row.cell(name) is not None:
                    holders[name, row.cell(name)].append(names[row.id])
    return {key: hash(tuple(sorted(several))) for key, several in holders.items()}
