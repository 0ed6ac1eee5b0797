"""``audit``: verification and export by the command, and that commands themselves are recorded."""

import json
import re
import sqlite3
from contextlib import closing

import pytest
from click.testing import CliRunner

from service.cli import main
from service.shipped import shipped

LINE = re.compile(
    r"<(110|108)>1 \d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z \S+ swallow-interop - \S+ "
    r'\[audit@32473 chain="[0-9a-f]{16}" place="\d+" hash="[0-9a-f]{64}"\] \ufeff(\{.*\})'
)


@pytest.fixture
def command(tmp_path, monkeypatch):
    monkeypatch.setenv("SWALLOW_DATA_DIR", str(tmp_path))

    def run(*words):
        return CliRunner().invoke(main, [*map(str, words)])

    return run


@pytest.fixture
def loaded(command):
    record = next(iter(sorted(shipped("examples", "visits").glob("*.yaml"))))
    assert command("load", record).exit_code == 0


def events(command, *words):
    return [json.loads(line) for line in command("audit", "export", *words).stdout.splitlines()]


def last_event(command):
    """The last one that tells of somebody, and not of chains."""
    return [one for one in events(command) if one["subtype"][0]["code"] != "link"][-1]


@pytest.mark.usefixtures("loaded")
def test_a_load_is_recorded_with_what_it_wrote(command):
    event = next(one for one in events(command) if one["type"]["code"] == "110107")
    assert event["agent"][0]["who"] == {"display": "swallow-interop load"}
    assert event["agent"][0]["altId"]
    named = {one["what"]["reference"].partition("/")[0] for one in event["entity"]}
    assert {"Patient", "Encounter", "Observation"} <= named


@pytest.mark.usefixtures("loaded")
@pytest.mark.parametrize(
    ("words", "code", "name"),
    [
        (("evaluate", "--start", "2020-01-01", "--end", "2030-01-01"), "110112", "evaluate"),
        (("export", "--variant", "safe-harbor", "--out", "released.ndjson"), "110106", "export"),
        (("backup", "backup.gz"), "110106", "backup"),
        (("attainment", "nobody"), "110112", "attainment"),
        (("changes", "nobody"), "110112", "changes"),
    ],
)
def test_commands_that_look_at_people_are_recorded(command, words, code, name, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    ended = command(*words)
    last = last_event(command)
    assert last["type"]["code"] == code
    assert last["agent"][0]["who"] == {"display": f"swallow-interop {name}"}
    assert last["outcome"] == ("8" if ended.exit_code else "0")


@pytest.mark.usefixtures("loaded")
def test_an_evaluation_names_whom_it_looked_at(command):
    command("evaluate", "--start", "2020-01-01", "--end", "2030-01-01")
    last = last_event(command)
    people = [one["what"]["reference"] for one in last["entity"] if "what" in one]
    assert len(people) == 1
    assert people[0].startswith("Patient/")


@pytest.mark.usefixtures("loaded")
def test_a_whole_trail_is_verified_and_its_ends_are_kept(command, tmp_path):
    heads = tmp_path / "heads.json"
    first = command("audit", "verify", "--heads", heads)
    assert first.exit_code == 0
    assert re.fullmatch(r"2 rows in 1 chains, 0 faults\.\n", first.stdout)
    ends = json.loads(heads.read_text())
    assert [len(end) for end in ends] == [3]
    assert command("audit", "verify", "--heads", heads).exit_code == 0


@pytest.mark.usefixtures("loaded")
def test_a_trail_made_anew_is_found_by_its_ends(command, tmp_path):
    heads = tmp_path / "heads.json"
    command("audit", "verify", "--heads", heads)
    with closing(sqlite3.connect(tmp_path / "swallow.sqlite", isolation_level=None)) as connection:
        connection.execute("DROP TRIGGER audit_not_deleted")
        for name in ("audit", "audit_unfiled"):
            connection.execute(f"DELETE FROM {name}")  # noqa: S608
        connection.execute("DELETE FROM audit_chain")
    assert command("audit", "verify").exit_code == 0
    ended = command("audit", "verify", "--heads", heads)
    assert ended.exit_code == 1
    assert "cut off" in ended.stderr
    assert command("audit", "verify", "--heads", heads).exit_code == 1  # what was known is not forgotten


@pytest.mark.usefixtures("loaded")
def test_rows_that_went_before_their_time_are_missed(command, tmp_path, monkeypatch):
    """Whoever can write the database can note that a chain begins later, and take away what comes before."""
    for _ in range(3):
        command("audit", "export")
    with closing(sqlite3.connect(tmp_path / "swallow.accesses.sqlite", isolation_level=None)) as connection:
        assert connection.execute(
            "INSERT INTO audit_begun SELECT chain, place, recorded, hash FROM audit WHERE place = 1"
        ).rowcount
        for name in ("audit", "audit_unfiled"):
            connection.execute(f"DELETE FROM {name} WHERE place = 1")  # noqa: S608
    ended = command("audit", "verify")
    assert ended.exit_code == 1
    assert "no AuditEvent is ever taken away" in ended.stderr
    monkeypatch.setenv("SWALLOW_RETENTION_AUDIT_DAYS", "30")
    ended = command("audit", "verify")
    assert (ended.exit_code, "AuditEvents are kept for 30 days" in ended.stderr) == (1, True)
    assert command("audit", "verify", "--kept-days", "1").exit_code == 1


def test_a_file_that_is_none_is_said(command, tmp_path):
    heads = tmp_path / "heads.json"
    heads.write_text("{}")
    ended = command("audit", "verify", "--heads", heads)
    assert ended.exit_code == 1
    assert "heads.json is no file of heads" in ended.stderr


@pytest.mark.published("RFC 5424 section 6: the fields of a line, written down here as a pattern")
@pytest.mark.usefixtures("loaded")
def test_syslog_lines_have_the_shape_of_rfc_5424(command):
    lines = command("audit", "export", "--format", "syslog").stdout.splitlines()
    assert len(lines) == 2
    for line in lines:
        assert json.loads(LINE.fullmatch(line)[2])["resourceType"] == "AuditEvent"


@pytest.mark.usefixtures("loaded")
def test_a_range_of_time(command):
    assert events(command, "--until", "2020-01-01") == []
    assert events(command, "--since", "2999-01-01") == []
    assert len(events(command, "--since", "2020-01-01", "--until", "2999-01-01")) >= 2
