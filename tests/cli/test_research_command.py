"""Releases for research, and what ties them to people, from the command line."""

import json
import re
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from service.cli import main
from service.shipped import shipped


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., Result]:
    folder = tmp_path_factory.mktemp("data")

    def command(*words: str | Path, answer: str = "") -> Result:
        given = [*map(str, words), "--data-dir", str(folder)]
        return CliRunner().invoke(main, given, input=answer)

    visits = [shipped("examples", "visits", f"demo-01-{name}.yaml") for name in ("evaluation-1", "visit-1")]
    assert command("load", *visits).exit_code == 0
    return command


def test_from_a_release_to_the_end_of_its_project(run: Callable[..., Result], tmp_path: Path) -> None:
    file = tmp_path / "research.ndjson"
    asked = ("--variant", "shifted-dates", "--project", "swallow-1", "--approval", "expert 7", "--out", file)
    told = run("export", *asked)
    assert told.exit_code == 0, told.output
    assert "1 people (1 of them test data)" in told.output
    assert "k = 1, 1 after 'age class'" in told.output
    lines = [json.loads(line) for line in file.read_bytes().splitlines()]
    [patient] = [line["id"] for line in lines if line["resourceType"] == "Patient"]

    [release, size] = run("research", "releases", "--of", file).output.splitlines()
    assert release.startswith(lines[0]["id"])
    assert release.endswith("swallow-1  shifted-dates 1.1.0  for known recipients  approval expert 7")
    assert f"1 people  k = 1  engine 0.1.0  {file.stat().st_size} bytes  sha256 " in size
    assert run("research", "projects").output == "swallow-1  shifted-dates\n"
    assert re.fullmatch(r"Patient/\S+\n", run("research", "find", "swallow-1", patient).output)
    person = run("research", "find", "swallow-1", patient).output.strip()
    told_of = run("research", "person", person).output
    assert told_of == f"{release.partition(' ')[0]}  swallow-1  Patient/{patient}\n"
    events = [json.loads(line) for line in run("audit", "export").stdout.splitlines()]
    asker = {"display": "swallow-interop research person"}
    [told] = [one for one in events if one["agent"][0]["who"] == asker]
    assert person in [one["what"]["reference"] for one in told["entity"] if "what" in one]
    assert "given nobody that id" in run("research", "find", "swallow-1", "somebody").output

    assert run("research", "destroy", "swallow-1", answer="n\n").exit_code == 1
    assert "are destroyed" in run("research", "destroy", "swallow-1", "--yes").output
    assert "part of no release" in run("research", "person", person).output
    assert "there are: none" in run("research", "find", "swallow-1", patient).output
    assert run("research", "releases").output.startswith(release)


def test_what_is_no_release_is_told(run: Callable[..., Result], tmp_path: Path) -> None:
    file = tmp_path / "other.ndjson"
    file.write_bytes(b"{}")
    assert "is no release of this site" in run("research", "releases", "--of", file).output


def test_a_limited_data_set_needs_its_agreement(run: Callable[..., Result]) -> None:
    assert "name it as the approval" in run("export", "--variant", "limited-data-set").output
