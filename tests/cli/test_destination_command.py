"""``destination`` and ``push`` by the command: from its beginning to its end, and what is wrong."""

import asyncio
import json

import pytest
from click.testing import CliRunner

from service.app import create_app
from service.cli import main
from service.cli.local import opened
from service.errors import InvalidInput
from service.settings import Settings
from service.store import feeds


@pytest.fixture
def command(tmp_path, monkeypatch):
    monkeypatch.setenv("SWALLOW_DATA_DIR", str(tmp_path / "data"))
    (tmp_path / "out").mkdir()
    return lambda *words: CliRunner().invoke(main, [*map(str, words)])


async def _parked():
    async with opened(Settings()) as store:
        await feeds.note(store, "out", {"p1": feeds.Noted(1, 0)})
        (held,) = await feeds.claim(store, "out", "worker", now=1, until=2, most=1)
        problem = json.dumps({"message": "It was refused."})
        await feeds.put_off(store, "out", held, "worker", due=0, tries=1, parked=True, problem=problem)


def test_a_destination_from_its_beginning_to_its_end(command, tmp_path):
    out = tmp_path / "out"
    assert command("destination", "add", "out", out).output == f"out is delivered to: folder {out}\n"
    assert "out is a folder that can be written" in command("destination", "test", "out").output
    assert command("push", "out").stdout == "0 resources delivered in 0 parcels.\n"
    asyncio.run(_parked())
    listed = command("destination", "list", "--parked", "out").output.splitlines()
    assert "active  1 waiting" in listed[0]
    assert listed[1:] == [
        "    1 person is parked",
        *[line for line in listed if "has waited for" in line],
        "parked  Patient/p1: It was refused.",
    ]
    assert "PROBLEM  destination out: 1 person is parked" in command("doctor").output
    assert command("push", "out", "--patience", "0").exit_code == 1
    assert command("destination", "pause", "out").output == "out is paused.\n"
    assert "paused" in command("destination", "list").output
    assert command("destination", "resume", "out").exit_code == 0
    assert command("destination", "redrive", "out").exit_code == 2
    again = command("destination", "redrive", "out", "--patient", "Patient/p1")
    assert again.output == "out: changes of 1 patients are tried again.\n"
    assert command("destination", "redrive", "out", "--patient", "p2").exit_code == 1
    assert command("push", "out", "--patience", "0").exit_code == 0
    told = command("destination", "replay", "out", "--since", "2026-01-01").output
    assert told == "out: changes of 0 patients are sent again.\n"
    assert command("destination", "reconcile", "out").exit_code == 1
    assert command("destination", "remove", "out").output == "out is forgotten.\n"
    assert command("destination", "list").output == ""
    assert command("push", "out").exit_code == 1


def test_everything_that_is_wrong_is_said(command, tmp_path):
    options = tmp_path / "options.json"
    options.write_text('{"limits": {"entries": 0}, "filter": {"types": ["Nothing"]}}')
    said = command("destination", "add", "Out", "relative", "--options", options)
    assert said.exit_code == 1
    assert [line.partition(":")[2].split(":")[0].strip() for line in said.output.splitlines()] == [
        "/name",
        "/address",
        "/filter/types",
        "/limits/entries",
    ]
    missing = command("destination", "add", "out", "https://x.example.org", "--token-file", tmp_path / "none")
    assert (missing.exit_code, "does not exist" in missing.output) == (2, True)
    assert command("destination", "list").output == ""
    options.write_text("[")
    assert command("destination", "add", "out", "/out", "--options", options).exit_code == 1


def test_those_of_a_file_are_changed_there(command, tmp_path, monkeypatch):
    file = tmp_path / "destinations.json"
    file.write_text(json.dumps([{"name": "out", "kind": "folder", "address": str(tmp_path / "out")}]))
    monkeypatch.setenv("SWALLOW_DESTINATIONS", str(file))
    assert "out  folder" in command("destination", "list").output
    create_app(Settings(destinations=str(file)))
    for words in (("add", "out", tmp_path), ("remove", "out")):
        refused = command("destination", *words)
        assert refused.exit_code == 1
        assert "SWALLOW_DESTINATIONS" in refused.output
    file.write_text("[")
    with pytest.raises(InvalidInput, match="SWALLOW_DESTINATIONS"):
        create_app(Settings(destinations=str(file)))


def test_an_address_that_may_not_be_reached_is_said_when_it_is_added(command, monkeypatch):
    added = command("destination", "add", "out", "http://record.example.org/fhir")
    assert (added.exit_code, "name it in SWALLOW_OUTGOING_HOSTS" in added.stderr) == (0, True)
    monkeypatch.setenv("SWALLOW_OUTGOING_HOSTS", "record.example.org")
    assert not command("destination", "add", "out", "http://record.example.org/fhir").stderr
