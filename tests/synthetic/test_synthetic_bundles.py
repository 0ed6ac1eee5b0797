"""The invented registry as FHIR: taken in, without faults, and in tables the same as written straight."""

import asyncio
import json

import pytest
from click.testing import CliRunner
from same_tables import NOW, exported_rows, straight_rows, told

from service.cli import main
from service.fhir.json import dump
from service.interactions.context import Context, allow_everything
from service.jobs.synthetic_tables import registry
from service.jobs.tables import tables
from service.operations.upload import Upload, UploadPart
from service.operations.visit_intake import accept
from service.settings import Settings
from service.store.sqlite import SqliteStore
from service.synthetic.bundles import person_bundle
from service.terminology.codes import codes

PEOPLE = (19, 41, 49, 53)
"""Numbers of people who between them have every course, both methods, a log not returned, trials not
seen, judgements 'unsure', and leave by dropping out, dying, moving and as planned."""


@pytest.fixture(scope="module")
def invented():
    return [registry(5, 4).person(number) for number in PEOPLE]


@pytest.fixture(scope="module")
def bundles(invented):
    return [person_bundle(person.records, codes("all")) for person in invented]


@pytest.fixture(scope="module")
def exported(bundles, tmp_path_factory):
    return exported_rows(bundles, tmp_path_factory.mktemp("full"))


def test_the_tables_written_straight_are_those_of_an_export(invented, exported):
    straight = straight_rows(invented)
    assert all(exported[table] for table in tables())
    assert told(straight) == told(exported)


def test_ids_that_are_joined_otherwise_are_found(exported):
    (first, *_), table = [list(row) for row in exported["trial"]], exported["trial"]
    other = next(row for row in table if row[2] != first[2])
    first[2] = other[2]  # a trial of another visit
    assert told(exported) != told({**exported, "trial": [tuple(first), *table[1:]]})


def test_every_resource_is_labelled(bundles):
    for bundle in bundles:
        for entry in bundle["entry"]:
            codes_of_labels = [label["code"] for label in entry["resource"]["meta"]["security"]]
            assert codes_of_labels == ["HTEST"]


def test_the_people_are_of_every_kind(invented):
    truths = [one.truth for one in invented]
    assert {one.course.name for one in truths} >= {"plateau", "worsening", "regressed", "improving"}
    assert {one.site.method for one in truths} == {"endoscopic", "videofluoroscopic"}
    assert {one.ending for one in truths} == {"drop-out", "died", "moved", ""}


def command(*words):
    return CliRunner().invoke(main, [*map(str, words)])


def test_the_command_writes_what_the_command_loads(tmp_path):
    file, data = tmp_path / "people.ndjson", ("--data-dir", tmp_path / "data")
    assert command("synthesize", file, "--patients", 1, "--seed", 48).exit_code == 0
    again = tmp_path / "again.ndjson"
    assert command("synthesize", again, "--patients", 1, "--seed", 48).exit_code == 0
    assert file.read_bytes() == again.read_bytes()
    told_first = command("load", file, *data)
    assert told_first.exit_code == 0, told_first.output
    assert told_first.output.startswith("1 Bundles: ")
    assert "1 Bundles: 0 resources created" in command("load", file, *data).output
    judged = command("validate", file).output.splitlines()
    assert any(" 0 errors" in line for line in judged)
    as_of_every_visit = ("is not known here", "encounter-participant-type")
    assert all(any(one in line for one in as_of_every_visit) for line in judged if " warning " in line)


def test_a_line_that_is_no_bundle_is_refused_and_the_others_are_taken(tmp_path):
    file = tmp_path / "mixed.ndjson"
    patient = {"resourceType": "Patient", "id": "p"}
    entry = {"resource": patient, "request": {"method": "PUT", "url": "Patient/p"}}
    good = json.dumps({"resourceType": "Bundle", "type": "transaction", "entry": [entry]})
    file.write_text(f'{json.dumps(patient)}\n\n{{"no\n{good}\n', "utf-8")
    told_of = command("load", file, "--data-dir", tmp_path / "data")
    assert told_of.exit_code == 1
    assert "mixed.ndjson, line 1: error: " in told_of.output
    assert "mixed.ndjson, line 3: " in told_of.output
    assert "1 Bundles: 1 resources created, 0 updated or unchanged; 2 Bundles refused." in told_of.output


def test_what_does_not_go_together_is_refused(tmp_path):
    there = tmp_path / "there.ndjson"
    there.write_text("", "utf-8")
    told_of = command("synthesize", there, "--patients", 1, "--seed", 1)
    assert (told_of.exit_code, there.read_bytes()) == (1, b"")
    assert "name a new file" in told_of.output
    told_of = command("synthesize", tmp_path / "new", "--patients", 1, "--seed", 1, "--format", "csv")
    assert told_of.exit_code == 2
    assert "--views" in told_of.output
    record = tmp_path / "record.yaml"
    record.write_text("visit_record: 1\n", "utf-8")
    told_of = command("load", there, record, "--data-dir", tmp_path / "data")
    assert told_of.exit_code == 2
    assert "either .ndjson" in told_of.output


def test_a_full_disk_leaves_no_file(tmp_path, monkeypatch):
    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("service.jobs.synthetic_bundles.dump", full)
    told_of = command("synthesize", tmp_path / "out.ndjson", "--patients", 1, "--seed", 1)
    assert told_of.exit_code == 1
    assert "No space left" in told_of.output
    assert not list(tmp_path.iterdir())


def test_the_records_keep_every_rule_of_the_intake(invented, tmp_path):
    store = SqliteStore(tmp_path / "store.sqlite", clock=lambda: NOW)
    context = Context("https://demo.example.org/fhir", allow_everything, clock=lambda: NOW)

    async def warnings():
        found = []
        for record in invented[-1].records:
            part = UploadPart("record", dump(record), file_name="record.json")
            receipt = await accept(store, Upload((part,)), settings=Settings(), context=context)
            found += receipt.warnings
        await store.close()
        return found

    assert asyncio.run(warnings()) == []
