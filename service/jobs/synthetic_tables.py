"""The research tables of an invented registry, written straight from its records, with the truth beside them.

They are those that a release as a limited data set makes of the same people, but for the ids. No clock is
looked at, so the same registry makes the same bytes.
"""

import csv
import random
from collections import Counter, defaultdict
from contextlib import ExitStack
from pathlib import Path
from typing import Any, TextIO

from service import __version__
from service.attainment.status import ENGINE_VERSION
from service.fhir.view_definition import Row
from service.jobs.table_files import Format, table_file
from service.jobs.table_folder import described, file_name, finished, new_folder
from service.jobs.tables import tables
from service.synthetic.parameters import parameters
from service.synthetic.registry import Registry
from service.synthetic.rows import rows_of
from service.synthetic.truth_row import TRUTH, truth_row

__all__ = ["registry", "synthetic_tables"]

_AT_ONCE = 200
"""People whose rows are in memory at once, beside what a Parquet file waits for."""


def registry(seed: int, sites: int) -> Registry:
    """The invented registry of a seed."""
    return Registry(seed, sites, _stream)


def synthetic_tables(found: Registry, people: int, folder: Path, format_: Format) -> dict[str, Any]:
    """Write the tables of the first ``people`` into a new ``folder`` and answer the manifest.

    InvalidInput if the folder holds something already, or this machine has no Parquet.
    """
    with new_folder(folder) as fresh:
        rows = _written(found, people, fresh, format_)
        manifest = {
            "policy": "limited-data-set",
            "synthetic": {
                "seed": found.seed,
                "sites": found.sites,
                "parameters": parameters().version,
                "dataUntil": parameters().data_until.isoformat(),
                "label": "HTEST",
            },
            "engines": {"swallow-interop": __version__, "goal attainment": ENGINE_VERSION},
            "standards": {"FHIR": "4.0.1", "SQL on FHIR": "2"},
            "format": format_,
            "people": people,
            "testPeople": people,
            "flow": [{"step": "released", "what": "people", "count": people}],
            "tables": described(fresh, format_, rows),
            "citation": _citation(found, people),
        }
        finished(manifest, fresh)
    return manifest


def _stream(name: str) -> Any:
    return random.Random(name).random  # noqa: S311 - chance that can be repeated


def _written(found: Registry, people: int, folder: Path, format_: Format) -> Counter[str]:
    """Write every table, and what is true of each person; answers how many rows each table has."""
    counts: Counter[str] = Counter()
    with ExitStack() as closing:
        files = {
            name: table_file(
                format_, closing.enter_context((folder / file_name(table, format_)).open("wb")), table.fields
            )
            for name, table in tables().items()
        }
        told = closing.enter_context((folder / "truth.csv").open("w", encoding="utf-8", newline=""))
        truths = _begun(told)
        for first in range(1, people + 1, _AT_ONCE):
            rows: defaultdict[str, list[Row]] = defaultdict(list)
            for person in found.people(first, min(first + _AT_ONCE - 1, people)):
                truths.writerow(truth_row(person.truth))
                for table, row in rows_of(person.records):
                    rows[table].append(row)
            for name, several in rows.items():
                files[name].write(several)
                counts[name] += len(several)
        for file in files.values():
            file.close()
    return counts


def _begun(out: TextIO) -> Any:
    """A CSV file of truths with its head."""
    rows = csv.writer(out, lineterminator="\n")
    rows.writerow(TRUTH)
    return rows


def _citation(found: Registry, people: int) -> str:
    return (
        f"Invented registry (HTEST) of {people} people at {found.sites} sites, seed {found.seed}, parameters "
        f"{parameters().version}. Made with swallow-interop {__version__}, goal attainment {ENGINE_VERSION}. "
        "Nothing in it is about anybody."
    )
