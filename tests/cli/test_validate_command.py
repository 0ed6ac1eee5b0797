"""The command validates files: what it says, in which form, and how it ends."""

import json
from pathlib import Path
from typing import Any
from uuid import UUID

import pytest
from click.testing import CliRunner, Result

from service import __version__
from service.cli import main
from service.cli.validation_units import files_of, units_of
from service.fhir import xml_writer
from service.fhir.json import parse
from service.fhir.validation import check
from service.shipped import shipped

TEXT = {"status": "generated", "div": '<div xmlns="http://www.w3.org/1999/xhtml">HTEST</div>'}
GOOD = {"resourceType": "Patient", "id": "p", "active": True, "text": TEXT}
BROKEN = '{\n "resourceType": "Patient",\n "active": "yes",\n "birthDate": "2026-02-30"\n}'
XML = b'<Patient xmlns="http://hl7.org/fhir">\n  <birthDate value="2026-02-30"/></Patient>'
HELD = f"Held against FHIR R4 4.0.1, swallow-interop.guide {__version__}"
FORM = {
    "resourceType": "Questionnaire",
    "id": "q",
    "url": "https://clinic.example.org/Questionnaire/q",
    "version": "1",
    "status": "active",
    "item": [{"linkId": "a", "type": "integer"}],
    "text": TEXT,
}
ANSWERS = {
    "resourceType": "QuestionnaireResponse",
    "id": "r",
    "questionnaire": FORM["url"],
    "status": "completed",
    "item": [{"linkId": "a", "answer": [{"valueString": "five"}]}],
    "text": TEXT,
}
PROFILE = "https://clinic.example.org/StructureDefinition/named"
NAMED = {
    "resourceType": "StructureDefinition",
    "url": PROFILE,
    "name": "Named",
    "status": "active",
    "kind": "resource",
    "abstract": False,
    "type": "Patient",
    "baseDefinition": "http://hl7.org/fhir/StructureDefinition/Patient",
    "derivation": "constraint",
    "differential": {"element": [{"id": "Patient.name", "path": "Patient.name", "min": 1}]},
}


@pytest.fixture
def files(tmp_path: Path) -> Path:
    folder = tmp_path / "files"
    (folder / "inner").mkdir(parents=True)
    (folder / "good.json").write_text(json.dumps(GOOD))
    (folder / "inner" / "bad.json").write_text(BROKEN)
    (folder / "inner" / "bad.xml").write_bytes(XML)
    lines = [json.dumps(GOOD), "", json.dumps(GOOD | {"active": 1})]
    (folder / "many.ndjson").write_text("\n".join(lines) + "\n")
    (folder / "package.json").write_text('{"name": "no resource"}')
    (folder / ".hidden.json").write_text("[")
    (folder / "notes.txt").write_text("no resource")
    return folder


def run(*words: object) -> Result:
    return CliRunner().invoke(main, ["validate", *map(str, words)])


def told(result: Result) -> list[dict[str, Any]]:
    return [json.loads(line) for line in result.stdout.splitlines()]


def test_valid_files_are_passed_over_in_silence(files: Path) -> None:
    result = run(files / "good.json")
    assert (result.exit_code, result.stdout) == (0, "")
    assert result.stderr == f"{HELD}.\n1 resources in 1 files: 0 errors, 0 warnings.\n"


def test_a_line_for_each_problem_says_where_and_what(files: Path) -> None:
    result = run(files)
    assert result.exit_code == 1
    lines = [line for line in result.stdout.splitlines() if " warning dom-6 " not in line]
    assert [line.partition(" ")[0].removeprefix(f"{files}/") for line in lines] == [
        "inner/bad.json:3:2",
        "inner/bad.json:4:2",
        "inner/bad.xml:2:3",
        "many.ndjson:3:40",
    ]
    assert all(line.split()[1] == "error" for line in lines)
    assert " Patient.birthDate: " in lines[1]
    assert result.stderr == f"{HELD}.\n5 resources in 4 files: 4 errors, 2 warnings.\n"


@pytest.mark.parametrize("text", ["{", "[]", "", '{"a":1,"a":2}'])
def test_what_cannot_be_read_ends_with_2(files: Path, text: str) -> None:
    (files / "unreadable.json").write_text(text)
    result = run(files, "--format", "json")
    assert result.exit_code == 2
    (unreadable,) = [one for one in told(result) if not one["readable"]]
    assert unreadable["file"].endswith("unreadable.json")
    assert unreadable["issues"]
    assert "1 could not be read" in result.stderr


def test_what_was_asked_wrongly_ends_with_2(files: Path) -> None:
    for words in ((files / "notes.txt",), (files / "nothing.json",), (), (files, "--guide", files)):
        assert run(*words).exit_code == 2, words


def test_json_has_a_line_for_each_resource(files: Path) -> None:
    found = told(run(files, "--format", "json"))
    assert [one["valid"] for one in found] == [True, False, False, True, False]
    assert [one["line"] for one in found] == [1, 1, 1, 1, 3]
    assert (found[0]["resourceType"], found[0]["id"]) == ("Patient", "p")
    (issue,) = found[-1]["issues"]
    assert issue.keys() == {"severity", "code", "rule", "expression", "line", "column", "message"}
    assert (issue["expression"], issue["line"]) == ("Patient.active", 3)


def test_outcomes_are_valid_and_name_the_file(files: Path) -> None:
    result = run(files, "--format", "outcome")
    for line in result.stdout.splitlines():
        outcome = parse(line) | {"text": TEXT}
        assert not [one for one in check(outcome) if one.severity == "error"]
        assert outcome["extension"][0]["valueString"].startswith(str(files))
        assert outcome["issue"]


def test_several_processes_say_the_same(files: Path) -> None:
    one, two = run(files, "--format", "json"), run(files, "--format", "json", "--jobs", 2)
    assert (two.stdout, two.stderr, two.exit_code) == (one.stdout, one.stderr, one.exit_code)


def test_profiles_come_from_guides(files: Path, tmp_path: Path) -> None:
    guide = tmp_path / "guide"
    guide.mkdir()
    (guide / "named.json").write_text(json.dumps(NAMED))
    unknown = run(files / "good.json", "--profile", PROFILE)
    assert unknown.exit_code == 1
    assert "is not known here" in unknown.stdout
    for jobs in (1, 2):
        result = run(files / "good.json", "--profile", PROFILE, "--guide", guide, "--jobs", jobs)
        assert result.exit_code == 1, result.output
        assert "name" in result.stdout
        assert result.stderr.startswith(f"{HELD}, guide.\n")
    (files / "good.json").write_text(json.dumps(GOOD | {"name": [{"family": "Sampleby"}]}))
    assert run(files / "good.json", "--profile", PROFILE, "--guide", guide).exit_code == 0


def test_a_second_opinion_is_only_added(files: Path) -> None:
    first, second = run(files, "--format", "json"), run(files, "--format", "json", "--second-opinion")
    assert second.exit_code == first.exit_code
    added = [issue for one in told(second) for issue in one["issues"] if issue["rule"] == "second-opinion"]
    assert added
    assert {issue["severity"] for issue in added} == {"information"}
    rest = [[issue for issue in one["issues"] if issue not in added] for one in told(second)]
    assert rest == [one["issues"] for one in told(first)]


def test_folders_are_searched_in_order_and_files_taken_once(files: Path) -> None:
    names = [path.name for path in files_of([files, files / "good.json"])]
    assert names == ["good.json", "bad.json", "bad.xml", "many.ndjson"]


def test_large_ndjson_is_worked_on_in_pieces(tmp_path: Path) -> None:
    path = tmp_path / "large.ndjson"
    line = json.dumps(GOOD | {"language": "x" * 10_000}).encode() + b"\n"
    path.write_bytes(line * 350)
    units = list(units_of(path))
    assert len(units) > 2
    assert sum(len(unit.lines or ()) for unit in units) == 350
    assert [unit.first for unit in units] == [
        1 + sum(len(one.lines or ()) for one in units[:n]) for n in range(len(units))
    ]


@pytest.mark.conformance("E10")
@pytest.mark.parametrize("kind", ["json", "xml", "ndjson", "bundle", "guide", "contained"])
def test_answers_are_compared_with_forms_wherever_they_are(tmp_path: Path, kind: str) -> None:
    folder = tmp_path / "files"
    folder.mkdir()
    answers = folder / "answers.json"
    answers.write_text(json.dumps(ANSWERS))
    unknown = run(folder)
    assert unknown.exit_code == 0
    assert "answers.json:1:54 warning not-found QuestionnaireResponse.questionnaire: " in unknown.stdout
    more: list[object] = []
    if kind == "xml":
        (folder / "form.xml").write_bytes(xml_writer.dump(FORM))
    elif kind == "ndjson":
        (folder / "forms.ndjson").write_text(f"{json.dumps(GOOD)}\n{json.dumps(FORM)}\n")
    elif kind == "bundle":
        entry = [{"fullUrl": f"urn:uuid:{UUID(int=1, version=4)}", "resource": FORM}]
        (folder / "b.json").write_text(
            json.dumps({"resourceType": "Bundle", "type": "collection", "entry": entry})
        )
    elif kind == "guide":
        guide = tmp_path / "guide"
        guide.mkdir()
        (guide / "form.json").write_text(json.dumps(FORM))
        more = ["--guide", guide]
    elif kind == "contained":
        form = {name: value for name, value in FORM.items() if name not in {"url", "text"}}
        answers.write_text(json.dumps(ANSWERS | {"questionnaire": "#q", "contained": [form]}))
    else:
        (folder / "form.json").write_text(json.dumps(FORM))
    for jobs in (1, 2):
        result = run(folder, *more, "--jobs", jobs)
        assert result.exit_code == 1, result.output
        (line,) = result.stdout.splitlines()
        assert "QuestionnaireResponse.item[0].answer[0].value: Item 'a': the form asks for" in line


def test_answers_in_a_bundle_and_of_a_shipped_form(tmp_path: Path) -> None:
    form = json.loads(next(shipped("mappings", "forms").glob("*.json")).read_text("utf-8"))
    link = form["item"][0]["linkId"]
    answers = ANSWERS | {
        "questionnaire": form["url"],
        "status": "in-progress",
        "item": [{"linkId": "nothing"}],
    }
    entry = [{"fullUrl": f"urn:uuid:{UUID(int=2, version=4)}", "resource": answers}]
    path = tmp_path / "bundle.json"
    path.write_text(json.dumps({"resourceType": "Bundle", "type": "collection", "entry": entry}))
    result = run(path)
    assert result.exit_code == 1, result.output
    assert (
        "Bundle.entry[0].resource.item[0].linkId: Item 'nothing': the form has no such item." in result.stdout
    )
    path.write_text(path.read_text().replace('"nothing"', json.dumps(link)))
    assert run(path).exit_code == 0
