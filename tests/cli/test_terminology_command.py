"""The command loads, lists and removes code lists."""

from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from code_list_files import PACKAGE_SYSTEM, icd_10_cm, package, snomed

from service.cli import main

ICD = "http://hl7.org/fhir/sid/icd-10-cm"


@pytest.fixture
def run(tmp_path: Path):
    def command(*words: object) -> Result:
        arguments = ["terminology", *map(str, words), "--data-dir", str(tmp_path / "data")]
        return CliRunner().invoke(main, arguments)

    return command


def test_lists_are_loaded_listed_and_removed(run, tmp_path: Path) -> None:
    assert run("list").stdout == ""
    result = run("load", icd_10_cm(tmp_path))
    assert (result.exit_code, result.stderr) == (0, "")
    assert result.stdout.startswith(f"{ICD}: 5 codes of {ICD}|2026; loaded 20")
    assert run("load", icd_10_cm(tmp_path), "--version", "2027").exit_code == 0
    assert run("load", package(tmp_path)).exit_code == 0
    lines = run("list").stdout.splitlines()
    assert [line.partition("; loaded")[0] for line in lines] == [
        f"{ICD}: 5 codes of {ICD}|2027",
        "lists.cups: 3 codes of https://lists.example.org/cups|3, 1 value sets",
    ]
    assert run("remove", ICD).exit_code == 0
    assert run("list").stdout.splitlines() == lines[1:]
    result = run("remove", ICD)
    assert (result.exit_code, result.stderr) == (1, f"error: No code list of the name '{ICD}' was loaded.\n")


def test_what_can_not_be_loaded_ends_with_a_sentence(run, tmp_path: Path) -> None:
    result = run("load", snomed(tmp_path)[0])
    assert result.exit_code == 1
    assert result.stderr == "error: The concept and the description file of the snapshot are both needed.\n"
    result = run("load", package(tmp_path, PACKAGE_SYSTEM | {"content": "not-present"}))
    assert result.stdout.startswith("lists.cups: nothing that lists codes; loaded")
