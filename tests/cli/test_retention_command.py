"""``retention``, ``restore`` and ``list`` by the command: one person of two is held, released and erased."""

import asyncio
import json
import sqlite3
from contextlib import closing

import pytest
from click.testing import CliRunner

from service.cli import main
from service.cli.local import opened
from service.cli.retention_work import Wish, Work, eraser_for
from service.jobs.bulk_job import PEOPLE, BulkJob, Exports, Progress
from service.jobs.research_place import vaults_in
from service.jobs.vault import Kept
from service.operations.bulk_parameters import BulkRequest
from service.security.asker import Asker
from service.settings import Settings
from service.shipped import shipped
from service.store import feeds
from service.store.contract import Query

WHY = ("--reason", "a letter of 4 February")
ASKED = ("--requested-by", "person", "--yes")


@pytest.fixture(scope="module")
def filled(tmp_path_factory):
    """A data folder with two invented people, made once, and the ids of the two."""
    folder = tmp_path_factory.mktemp("filled")
    records = [
        shipped("examples", "visits") / f"{name}.yaml" for name in ("demo-01-visit-1", "demo-02-visit-1")
    ]
    ended = CliRunner().invoke(main, ["load", *map(str, records), "--data-dir", str(folder)])
    assert ended.exit_code == 0, ended.output
    return folder


@pytest.fixture
def command(filled, tmp_path, monkeypatch):
    with closing(sqlite3.connect(filled / "swallow.sqlite")) as source:
        source.execute("VACUUM INTO ?", [str(tmp_path / "swallow.sqlite")])
    monkeypatch.setenv("SWALLOW_DATA_DIR", str(tmp_path))

    def run(*words):
        return CliRunner().invoke(main, [*map(str, words)])

    return run


@pytest.fixture
def ann(tmp_path):
    with closing(sqlite3.connect(tmp_path / "swallow.sqlite")) as connection:
        return min(row[0] for row in connection.execute("SELECT id FROM current WHERE type = 'Patient'"))


async def delivered(patient):
    """Note that a destination has something of a person, as whoever sends it does."""
    async with opened(Settings()) as store:
        await feeds.note(store, "record", {patient: feeds.Noted(1, 0)})
        await feeds.claim(store, "record", "worker", now=1, until=2, most=1)
        await feeds.keep(store, "record", patient, "worker", [feeds.Delivered("Patient", patient, 1, "")])


def events(command):
    return [json.loads(line) for line in command("audit", "export").stdout.splitlines()]


def exported(exports, person, ended):
    """An export that is about a person."""
    asker = Asker("issuer", "lab", "lab", "system/*.rs")
    job = BulkJob(exports.new_id(), asker, "", "", BulkRequest(), "", 0, 0.0)
    folder = exports.add(job)
    (folder.path / PEOPLE).write_text(f"{person}\n")
    folder.note(Progress(0, ended=ended))
    return folder


def test_a_person_is_held_released_and_erased(command, ann, tmp_path):
    added = command("destination", "add", "record", "https://record.example.org/fhir")
    assert added.exit_code == 0, added.output
    asyncio.run(delivered(ann))
    with vaults_in(tmp_path, tmp_path / "research-vault.key").working("one", "safe-harbor") as vault:
        vault.keep(ann, Kept({f"Patient/{ann}": "released-as"}, 0, ["a-release"]))

    exports = Exports(tmp_path / "exports")
    of_ann, of_others, begun = (exported(exports, *one) for one in ((ann, 1.0), ("other", 1.0), ("other", 0)))

    assert command("retention", "hold", f"Patient/{ann}", *WHY).exit_code == 0
    listed = command("retention", "list").output
    assert f"held    Patient/{ann}" in listed
    assert "people, after their last contact: kept for ever" in listed
    assert "1 people are held" in command("doctor").output
    refused = command("retention", "erase", ann, *WHY, *ASKED)
    assert refused.exit_code == 1
    assert f"There is a hold on Patient/{ann}" in refused.output
    assert command("retention", "release", ann, *WHY).exit_code == 0
    assert command("retention", "release", ann, *WHY).exit_code == 1

    said = command("retention", "erase", ann, "--requested-by", "person", *WHY, "--dry-run")
    assert said.output.endswith("Nothing was erased.\n")
    asked = CliRunner().invoke(
        main, ["retention", "erase", ann, "--requested-by", "person", *WHY], input="n\n"
    )
    assert asked.exit_code == 1
    assert vault.of(ann).names

    backup = tmp_path / "before.backup"
    assert command("backup", backup).exit_code == 0
    erased = command("retention", "erase", ann, *WHY, *ASKED)
    assert erased.exit_code == 0, erased.output
    lines = said.output.splitlines()[:-1]
    assert erased.output.splitlines() == [*lines, f"Patient/{ann} was erased."]
    assert "delivered before, ask them to erase it: https://record.example.org/fhir" in lines
    assert "released for research as Patient/released-as: ask who holds a release to leave it out" in lines
    assert not vault.of(ann).names
    assert [one.job is None for one in (of_ann, of_others, begun)] == [True, False, True]
    assert f"erased  Patient/{ann}" in command("retention", "list").output
    assert command("retention", "erase", ann, *WHY, *ASKED).exit_code == 0  # whoever was killed says it again
    assert command("audit", "verify").exit_code == 0
    told = [one for one in events(command) if one["type"]["code"] == "110110"]
    done = [one["subtype"][0]["code"] for one in told if one["outcome"] == "0"]
    assert done == ["hold", "unhold", "destroy"]
    refused = [one for one in told if one["outcome"] == "8"]
    assert [one["subtype"][0]["code"] for one in refused] == ["destroy", "unhold"]
    assert {one["entity"][0]["what"]["reference"] for one in refused} == {f"Patient/{ann}"}
    assert told[-1]["entity"][0]["what"]["reference"] == f"Patient/{ann}"
    assert told[-1]["purposeOfEvent"][0]["text"] == WHY[1]

    killed_before_the_files = tmp_path / "erasures.json"
    killed_before_the_files.unlink()
    assert command("retention", "apply").exit_code == 0
    assert ann in killed_before_the_files.read_text("utf-8")

    restore_brings_nobody_back(command, ann, tmp_path, backup)


def restore_brings_nobody_back(command, ann, tmp_path, backup):
    later = tmp_path / "later.backup"
    assert command("backup", later).exit_code == 0
    for more in (["--erasures", str(tmp_path / "erasures.json")], ["--erasures", str(later)]):
        folder = tmp_path / more[-1].rpartition("/")[2].partition(".")[0]
        ended = command("restore", backup, "--data-dir", folder, *more)
        assert ended.exit_code == 0, ended.output
        assert "1 people who had been erased since were erased again." in ended.output
        assert command("retention", "erase", ann, *WHY, *ASKED, "--data-dir", folder).exit_code == 0
        assert "1 erasures" in command("retention", "list", "--data-dir", folder).output
        with closing(sqlite3.connect(folder / "swallow.sqlite")) as connection:
            rows = connection.execute(
                "SELECT id FROM current WHERE type = 'Patient' AND NOT deleted"
            ).fetchall()
        assert len(rows) == 1
        assert rows[0][0] != ann
    plain = command("restore", backup, "--data-dir", tmp_path / "plain")
    assert "If anybody was erased after this backup was made, restore it with --erasures." in plain.output


def test_who_is_held_while_others_age_out_stays_and_the_others_go(command, ann, tmp_path):
    assert command("retention", "hold", ann, *WHY).exit_code == 0
    settings = Settings(data_dir=tmp_path)

    async def age_out():
        async with opened(settings) as store:
            people = [one.id for one in (await store.search(Query("Patient"))).versions]
            work = Work(store, settings, eraser_for(settings))
            gone = await work.erase_all(people, Wish("kept long enough", "site", "apply"))
            return gone, [one.id for one in (await store.search(Query("Patient"))).versions]

    assert asyncio.run(age_out()) == (1, [ann])


def test_nobody_is_said(command):
    for word in ("hold", "release", "erase"):
        more = ASKED if word == "erase" else ()
        ended = command("retention", word, "nobody", *WHY, *more)
        assert ended.exit_code == 1
        assert "Patient/nobody" in ended.output
    ended = command("retention", "hold", "http://none.example.org|7", *WHY)
    assert "was not found" in ended.output
    told = [one for one in events(command) if one["type"]["code"] == "110110"]
    refused = [(one["subtype"][0]["code"], one["outcome"]) for one in told]
    assert refused == [("hold", "8"), ("unhold", "8"), ("destroy", "8"), ("hold", "8")]
    assert {one["purposeOfEvent"][0]["text"] for one in told} == {WHY[1]}
    holds = [one for one in told if one["subtype"][0]["code"] != "destroy"]
    assert not any("what" in entity for one in holds for entity in one.get("entity", ()))
