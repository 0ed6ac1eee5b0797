"""A release of research tables: a folder with one file a table, and what a study needs to cite and check it.

Every resource is looked at once, as it leaves de-identified; its rows go to all tables over its type. Memory
does not grow with the people.
"""

from collections import Counter, defaultdict
from collections.abc import AsyncIterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any, BinaryIO, Protocol

from service import __version__
from service.attainment.status import ENGINE_VERSION
from service.fhir.json import dump, reread
from service.jobs.research_report import Report
from service.jobs.table_files import Format, TableFile, table_file
from service.jobs.table_folder import described, file_name, finished, new_folder
from service.jobs.tables import Table, tables

__all__ = ["Release", "export_tables", "rows_told"]

Tree = dict[str, Any]


class Release(Protocol):
    """De-identified resources on their way out; ``report`` is complete after the last."""

    report: Report

    def resources(self) -> AsyncIterator[tuple[str, bytes]]:
        """Give type and JSON text of each."""
        ...

    def finish(self, sha256: str, size: int) -> None:
        """Freeze the release under a checksum and a size in bytes."""
        ...


async def export_tables(release: Release, folder: Path, format_: Format) -> Tree:
    """Write the tables into a new ``folder`` and answer the manifest.

    InvalidInput if the folder holds something already, or this machine has no Parquet.
    """
    with new_folder(folder) as fresh:
        rows = await _write(release, fresh, format_)
        manifest = _manifest(release.report, fresh, format_, rows)
        release.finish(*finished(manifest, fresh))
    return manifest


def rows_told(manifest: Tree) -> str:
    """How many rows each table of a release has, in a line."""
    return ", ".join(f"{one['rows']} {one['table']}" for one in manifest["tables"])


async def _write(release: Release, folder: Path, format_: Format) -> Counter[str]:
    """Write the tables; answers how many rows each has."""
    rows: Counter[str] = Counter()
    with ExitStack() as closing:
        over: defaultdict[str, list[tuple[Table, TableFile]]] = defaultdict(list)
        for table in tables().values():
            out: BinaryIO = closing.enter_context((folder / file_name(table, format_)).open("wb"))
            file = table_file(format_, out, table.fields)
            over[table.view.definition.resource].append((table, file))
        async for type_, text in release.resources():
            resource = reread(text) if type_ in over else {}
            for table, file in over.get(type_, ()):
                found = table.view.rows(resource)
                file.write(found)
                rows[table.name] += len(found)
        for file in (file for files in over.values() for _, file in files):
            file.close()
    return rows


def _manifest(report: Report, folder: Path, format_: Format, rows: Counter[str]) -> Tree:
    return {
        "released": report.released.isoformat(),
        "policy": f"{report.policy} {report.policy_version}",
        "engines": {"swallow-interop": __version__, "goal attainment": ENGINE_VERSION},
        "standards": {"FHIR": "4.0.1", "SQL on FHIR": "2"},
        "format": format_,
        "people": report.people,
        "testPeople": report.test_people,
        "project": report.project,
        "approval": report.approval,
        "k": report.k,
        "l": report.l,
        "flow": _flow(report),
        "tables": described(folder, format_, rows),
        "citation": _citation(report),
    }


def _flow(report: Report) -> list[Tree]:
    """Who was left out and why, who is in the release; small counts are told as the report tells them."""
    told = reread(dump(report.as_parameters()))["parameter"]
    left_out = [one["part"] for one in told if one["name"] == "leftOut"]
    steps = [{"step": "left out", **_named(parts)} for parts in left_out]
    held_back = [one["part"] for one in told if one["name"] == "heldBack"]
    kept = [{"step": "resources held back", **_named(parts)} for parts in held_back]
    return [*steps, {"step": "released", "what": "people", "count": report.people}, *kept]


def _named(parts: list[Tree]) -> Tree:
    return {
        part["name"]: next(value for name, value in part.items() if name.startswith("value"))
        for part in parts
    }


def _citation(report: Report) -> str:
    return (
        f"Research tables of swallowing care, released {report.released.isoformat()} by the policy "
        f"{report.policy} {report.policy_version}, {report.people} people. Made with swallow-interop "
        f"{__version__}, goal attainment {ENGINE_VERSION}."
    )
