"""A release of research tables: files, checksums, manifest; and the examples that read it."""

import asyncio
import hashlib
import json
import random
import subprocess
import sys
from datetime import UTC, datetime

import duckdb
import pytest
from demo_store import Demo

from service.errors import InvalidInput
from service.jobs.goal_statuses import statuses_by_visit
from service.jobs.research_export import Request, ResearchExport
from service.jobs.research_place import releases_in, vaults_in
from service.jobs.research_source import ResearchSource
from service.jobs.research_work import Work
from service.jobs.table_export import export_tables
from service.jobs.table_files import FORMATS
from service.jobs.tables import tables
from service.settings import Settings
from service.shipped import shipped

NOW = datetime(2026, 12, 1, 9, 0, tzinfo=UTC)


class Replayed:
    """What left in one export, as often as it is wanted."""

    def __init__(self, release) -> None:
        self._release = release
        self._resources = None
        self.finished = []

    @property
    def report(self):
        return self._release.report

    async def resources(self):
        if self._resources is None:
            self._resources = [one async for one in self._release.resources()]
        for one in self._resources:
            yield one

    def finish(self, sha256, size):
        self._release.finish(sha256, size)
        self.finished.append((sha256, size))


@pytest.fixture(scope="module")
def folders(tmp_path_factory):
    """The same release in each format, of one invented person with six training visits and two studies."""
    root = tmp_path_factory.mktemp("release")
    demo = Demo.of(root, "demo-01")
    source = ResearchSource(demo.store, NOW.date())
    chance = random.Random(1)  # noqa: S311 - chance that can be repeated
    with vaults_in(root, root / "key").working("study", "safe-harbor") as vault, Work(chance) as work:
        release = ResearchExport(
            source,
            Request("safe-harbor", NOW),
            vault=vault,
            releases=releases_in(root),
            work=work,
            computed=statuses_by_visit(source, "safe-harbor", Settings()),
        )
        replayed = Replayed(release)
        for format_ in FORMATS:
            asyncio.run(export_tables(replayed, root / format_, format_))
    sums = {hashlib.sha256((root / one / "SHA256SUMS").read_bytes()).hexdigest() for one in FORMATS}
    assert {digest for digest, _ in replayed.finished} == sums
    return {format_: root / format_ for format_ in FORMATS}


def program(name, folder):
    file = shipped("examples", "research", f"{name}.py")
    words = [sys.executable, str(file), str(folder)]
    return subprocess.run(words, check=True, capture_output=True, text=True, timeout=120).stdout  # noqa: S603


def test_each_table_is_a_file_with_its_checksum(folders):
    for format_, folder in folders.items():
        files = {file.name for file in folder.iterdir()}
        assert files >= {f"{name}.{format_}" for name in tables()}
        sums = dict(reversed(line.split("  ")) for line in (folder / "SHA256SUMS").read_text().splitlines())
        assert sums.keys() == files - {"SHA256SUMS"}
        for name, digest in sums.items():
            assert hashlib.sha256((folder / name).read_bytes()).hexdigest() == digest


def test_the_manifest_says_what_it_is_and_how_it_was_made(folders):
    manifest = json.loads((folders["csv"] / "manifest.json").read_text())
    rows = {one["table"]: one["rows"] for one in manifest["tables"]}
    assert (rows["patient"], rows["visit"], rows["goal"]) == (1, 8, 3)
    assert rows["goal_status"] == 21  # three goals at the six training visits and the study after the last
    assert manifest["engines"]["goal attainment"] == "1.2.0"
    assert manifest["flow"][0] == {"step": "released", "what": "people", "count": 1}
    assert manifest["policy"].startswith("safe-harbor ")
    assert manifest["project"] == "study"
    assert "1 people" in (folders["csv"] / "CITATION.txt").read_text()
    assert all(one["view"].endswith(f"/{one['table']}|1.0.0") for one in manifest["tables"])


def test_every_format_holds_the_same_rows_and_keys_lead_somewhere(folders):
    readers = {"csv": "read_csv", "ndjson": "read_json", "parquet": "read_parquet"}
    counted = {}
    for format_, folder in folders.items():
        database = duckdb.connect()
        for name in tables():
            file = folder / f"{name}.{format_}"
            database.sql(f"CREATE VIEW {name} AS SELECT * FROM {readers[format_]}('{file}')")  # noqa: S608 - files of ours
        counted[format_] = [database.sql(f"SELECT count(*) FROM {name}").fetchall() for name in tables()]  # noqa: S608
    assert counted["csv"] == counted["ndjson"] == counted["parquet"]
    for name, table in tables().items():
        for field in table.fields:
            if field.refers_to:
                other, column = field.refers_to.split(".")
                lost = f"SELECT count(*) FROM {name} WHERE {field.name} NOT IN (SELECT {column} FROM {other})"  # noqa: S608
                assert database.sql(lost).fetchall() == [(0,)], (name, field.name)


def test_nothing_that_identifies_is_in_any_table(folders):
    for file in folders["csv"].iterdir():
        text = file.read_text("utf-8")
        for planted in ("Sampleby", "Ottoline", "02139", "1958-06-02", "2026-02-03", "demo-01"):
            assert planted not in text, (file.name, planted)


def test_the_examples_print_what_the_records_say(folders):
    agreement = program("duckdb_tables", folders["parquet"])
    # 1, 2, 2, 3, 4 and 4 of five opening trials closed; judged right in 2, 3, 4, 5, 5 and 5
    assert "closed 16 of 30; own judgement right 24 of 30" in agreement
    assert (
        agreement == program("duckdb_tables", folders["csv"]) == program("duckdb_tables", folders["ndjson"])
    )
    practice = program("pandas_tables", folders["parquet"])
    assert practice.startswith("adherence 90.8 % of 49 logged days\n")
    assert "oral-intake-level" in practice
    boluses = program("csv_tables", folders["csv"])
    assert "7: 1\n" in boluses  # the one swallow of thin liquid that was aspirated without being cleared
    assert "residue is one of: none, trace, mild, moderate, severe" in boluses


def test_a_folder_that_holds_something_is_not_written_over(folders):
    with pytest.raises(InvalidInput, match="new folder"):
        asyncio.run(export_tables(None, folders["csv"], "csv"))
