"""The invented registry as research tables: the same every time, labelled, and as its parameters say."""

import csv
import json
from collections import Counter
from itertools import pairwise
from math import sqrt

import pyarrow.parquet as pq
import pytest
from click.testing import CliRunner

from service.cli import main
from service.jobs.synthetic_tables import registry, synthetic_tables
from service.jobs.table_files import FORMATS
from service.jobs.tables import tables
from service.synthetic.chance import Chance
from service.synthetic.parameters import parameters
from service.synthetic.person import truth

PEOPLE = 60


@pytest.fixture(scope="module")
def folders(tmp_path_factory):
    root = tmp_path_factory.mktemp("invented")
    for format_ in FORMATS:
        synthetic_tables(registry(7, 3), PEOPLE, root / format_, format_)
    return root


def rows(folder, table):
    with (folder / f"{table}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_the_same_seed_makes_the_same_bytes(folders, tmp_path):
    synthetic_tables(registry(7, 3), PEOPLE, tmp_path / "again", "csv")
    files = sorted(file.name for file in (folders / "csv").iterdir())
    assert files == sorted(file.name for file in (tmp_path / "again").iterdir())
    for name in files:
        assert (folders / "csv" / name).read_bytes() == (tmp_path / "again" / name).read_bytes(), name
    synthetic_tables(registry(8, 3), 1, tmp_path / "other", "csv")
    assert rows(tmp_path / "other", "truth")[0] != rows(folders / "csv", "truth")[0]


def test_nobody_depends_on_how_many_there_are(folders, tmp_path):
    synthetic_tables(registry(7, 3), 2, tmp_path / "few", "csv")
    for table in tables():
        many = rows(folders / "csv", table)
        few = rows(tmp_path / "few", table)
        assert few == [row for row in many if row["patient_id"] in {"HTEST-7-000001", "HTEST-7-000002"}]


def test_every_row_says_that_it_is_invented(folders):
    for table in tables():
        found = rows(folders / "csv", table)
        assert found
        for row in found:
            ids = [value for name, value in row.items() if name.endswith("_id") and value]
            assert all(value.startswith("HTEST-7-") for value in ids), (table, ids)
    manifest = json.loads((folders / "csv" / "manifest.json").read_text("utf-8"))
    assert (manifest["testPeople"], manifest["synthetic"]["label"]) == (PEOPLE, "HTEST")


def test_the_tables_are_as_the_dictionary_says(folders):
    for name, table in tables().items():
        held = pq.read_table(folders / "parquet" / f"{name}.parquet")
        assert held.column_names == [field.name for field in table.fields]
        for field in table.fields:
            values = held[field.name].to_pylist()
            assert field.nullable or None not in values, (name, field.name)
            assert not field.primary or len(set(values)) == len(values), (name, field.name)
            known = {code.code for code in field.codes}
            said = {one for value in values if value for one in (value if field.collection else [value])}
            assert not known or said <= known, (name, field.name, said - known)
            if field.refers_to:
                other, column = field.refers_to.split(".")
                there = set(pq.read_table(folders / "parquet" / f"{other}.parquet")[column].to_pylist())
                assert set(values) - {None} <= there, (name, field.name)


def test_each_format_holds_the_same_number_of_rows(folders):
    for name in tables():
        lines = (folders / "ndjson" / f"{name}.ndjson").read_bytes().splitlines()
        assert len(lines) == len(rows(folders / "csv", name))


def test_shares_are_those_of_the_parameters():
    """Of 3,000 people, within four standard errors of a share: one run in 15,000 would miss one of them."""
    people = [truth(f"HTEST-3-{n}", Chance(stream(n)), 12) for n in range(3_000)]
    known = parameters()
    for drawn, weighted in (
        ([one.course for one in people], known.courses),
        ([one.judging for one in people], known.own_judgement),
    ):
        counts, last = Counter(one.name for one in drawn), 0.0
        for thing, up_to in zip(weighted.things, weighted.up_to, strict=True):
            share, last = (up_to - last) / weighted.up_to[-1], up_to
            assert abs(counts[thing.name] / len(people) - share) < 4 * sqrt(share * (1 - share) / 3_000)
    visits = sum(one.visits for one in people)
    for ending in known.endings:
        found = sum(one.ending == ending.name for one in people) / visits
        assert abs(found - ending.hazard) < 4 * sqrt(ending.hazard * (1 - ending.hazard) / visits)


def stream(number):
    return registry(3, 12).stream(f"HTEST-3-{number}")


def test_practice_moves_the_course_by_its_stated_effect():
    people = [truth(f"HTEST-3-{n}", Chance(stream(n)), 12) for n in range(200)]
    known = parameters().adherence
    for one in people:
        if one.course.name in {"improving", "worsening"}:
            steps = [after - before for before, after in pairwise(one.logits)]
            wanted = one.course.step + known.effect * (one.adherence - known.mean)
            assert steps == pytest.approx([wanted] * len(steps))


def test_who_died_or_dropped_out_leaves_as_they_do(folders):
    truths = {row["patient_id"]: row for row in rows(folders / "csv", "truth")}
    visits = Counter((row["patient_id"], row["visit_type"]) for row in rows(folders / "csv", "visit"))
    reasons = {
        row["patient_id"]: row["code"]
        for row in rows(folders / "csv", "measurement")
        if row["measure"] == "reason-for-ending"
    }
    endings = Counter(row["ending"] for row in truths.values())
    assert endings["drop-out"] > 2
    for id_, one in truths.items():
        if one["ending"] == "drop-out":
            assert visits[id_, "discharge"] == 0
        elif one["ending"] and id_ in reasons:
            assert reasons[id_] == one["ending"].replace(" ", "-")
            assert visits[id_, "training"] == int(one["ends_after"])
            assert visits[id_, "review"] == 0
        elif id_ in reasons:
            assert reasons[id_] in {"goals-met", "plateau"}
            assert visits[id_, "training"] == int(one["visits_planned"])


def command(*words):
    return CliRunner().invoke(main, ["synthesize", *map(str, words)])


@pytest.mark.parametrize(
    ("option", "value"), [("--patients", 0), ("--patients", 1_000_000), ("--seed", -1), ("--sites", 13)]
)
def test_what_is_out_of_range_is_refused(tmp_path, option, value):
    words = {"--patients": 1, "--seed": 1, "--sites": 1} | {option: value}
    told = command(tmp_path / "out", "--views", *(word for pair in words.items() for word in pair))
    assert told.exit_code == 2
    assert option in told.output
    assert not list(tmp_path.iterdir())


def test_a_folder_that_holds_something_is_not_written_into(tmp_path):
    tmp_path.joinpath("mine.txt").write_text("keep", "utf-8")
    told = command(tmp_path, "--views", "--patients", 1, "--seed", 1)
    assert told.exit_code == 1
    assert "name a new folder" in told.output
    assert [file.name for file in tmp_path.iterdir()] == ["mine.txt"]


def test_a_full_disk_leaves_nothing_that_looks_whole(tmp_path, monkeypatch):
    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("service.jobs.synthetic_tables.finished", full)
    told = command(tmp_path / "out", "--views", "--patients", 1, "--seed", 1)
    assert told.exit_code == 1
    assert "No space left" in told.output
    assert not list(tmp_path.iterdir())
