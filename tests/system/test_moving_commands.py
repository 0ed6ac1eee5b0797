"""The commands that move a whole database, as a person runs them."""

import gzip
import json

import pytest
from processes import run

from service.shipped import shipped

PERSON = "https://clinic.example.org/patients|demo-05"


@pytest.fixture
def here(tmp_path):
    """A data folder with one invented person's visits in SQLite."""
    folder = tmp_path / "here"
    run("load", *sorted(shipped("examples", "visits").glob("demo-05-*")), "--data-dir", folder)
    return folder


def answer(folder):
    return json.loads(
        run("attainment", PERSON, "--date", "2026-09-11", "--json", "--data-dir", folder).stdout
    )


def resources(backup):
    """The lines of a backup but its end and the audit trail, in which each command leaves a row."""
    with gzip.open(backup) as lines:
        return [line for line in lines if not line.startswith((b'{"audit":', b'{"end":'))]


def test_from_sqlite_to_postgresql_and_back(here, tmp_path, database_url, monkeypatch):
    wanted = answer(here)
    refused = run("copy", "--data-dir", here, check=False)
    assert "SWALLOW_DATABASE_URL" in refused.stderr

    monkeypatch.setenv("SWALLOW_DATABASE_URL", database_url)
    copied = run("copy", "--data-dir", here).stdout
    assert copied.endswith("copied and compared.\n")
    assert answer(tmp_path / "nothing here") == wanted
    again = run("copy", "--data-dir", here, check=False)
    assert (again.returncode, again.stdout) == (1, "")
    assert "is not empty; nothing was written" in again.stderr
    assert "0 resources were filed anew" in run("migrate").stdout
    backup = tmp_path / "backup"
    assert run("backup", backup).stdout.split()[:2] == copied.split()[:2]

    monkeypatch.delenv("SWALLOW_DATABASE_URL")
    assert run("restore", backup, "--data-dir", tmp_path / "there").stdout.split()[:2] == copied.split()[:2]
    assert answer(tmp_path / "there") == wanted
    assert run("backup", tmp_path / "backup of it", "--data-dir", tmp_path / "there").returncode == 0
    assert resources(tmp_path / "backup of it") == resources(backup)
    loaded = run(
        "load", *sorted(shipped("examples", "visits").glob("demo-05-*")), "--data-dir", tmp_path / "there"
    )
    assert " 0 resources created, 0 updated," in loaded.stdout
