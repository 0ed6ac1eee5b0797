"""Line and column of expressions, in JSON and in XML."""

import json
import re
from pathlib import Path
from typing import Any

import pytest
from r4_examples import example_files

from service.errors import Issue, Place
from service.fhir import xml_writer
from service.fhir.json import parse
from service.fhir.positions import JsonPositions, located, steps
from service.fhir.positions_xml import XmlPositions

TEXT = """{"resourceType":"Patient",
 "name":[{"family":"a","given":["x",null],
"_given":[null,{"extension":[{"url":"u"}]}]}],
 "_birthDate":{"extension":[]},"contained":[{"resourceType":"Organization",
"active": true}],
 "é\\t\\"" : 1, "deceasedBoolean": false}"""
XML = b"""<Patient xmlns="http://hl7.org/fhir">
<name><given value="a"/>
 <given value="b"/></name>
<contained><Organization>
<active value="true"/></Organization></contained>
<deceasedBoolean value="false"/></Patient>"""


@pytest.mark.parametrize(
    ("expression", "place"),
    [
        ("Patient", (1, 1)),
        ("resourceType", (1, 2)),
        ("Patient.name[0].given[0]", (2, 33)),
        ("Patient.name[0].given[1].extension[0].url", (3, 31)),
        ("Patient.name.family", (2, 11)),
        ("Patient.birthDate", (4, 2)),
        ("Patient.birthDate.extension", (4, 16)),
        ("Patient.contained[0].active", (5, 1)),
        ("Patient.deceased.ofType(boolean)", (6, 15)),
        ("Patient.name[7].family", (2, 2)),
        ("Patient.nothing.at.all", (1, 1)),
        ("Patient.name[0].extension('x')", (2, 10)),
    ],
)
def test_elements_of_json_are_found_where_they_begin(expression: str, place: tuple[int, int]) -> None:
    assert JsonPositions(TEXT).of(steps(expression)) == place


@pytest.mark.parametrize(
    ("expression", "place"),
    [
        ("Patient", (1, 1)),
        ("Patient.name[0].given[1]", (3, 2)),
        ("Patient.name[0].given[1].extension[0].url", (3, 2)),
        ("Patient.name.given", (2, 7)),
        ("Patient.contained[0].active", (5, 1)),
        ("Patient.contained[0]", (4, 1)),
        ("Patient.deceased.ofType(boolean)", (6, 1)),
        ("Patient.nothing", (1, 1)),
    ],
)
def test_elements_of_xml_are_found_where_they_begin(expression: str, place: tuple[int, int]) -> None:
    assert XmlPositions(XML).of(steps(expression)) == place


def test_what_has_a_line_or_no_element_stays() -> None:
    issues = (Issue("a"), Issue("b", place=Place("Patient", line=7)), Issue("c", place=Place("Patient")))
    found = located(issues, JsonPositions(TEXT))
    assert found[:2] == issues[:2]
    assert (found[2].place.line, found[2].place.column) == (1, 1)


@pytest.mark.published("hl7.fhir.r4.examples")
@pytest.mark.parametrize("type_", ["Patient", "Questionnaire", "Bundle"])
def test_every_element_of_the_examples_is_found(type_: str) -> None:
    for file in example_files(type_)[:12]:
        _every_element_is_found(file)


def _every_element_is_found(file: Path) -> None:
    tree = parse(file.read_bytes(), max_depth=200)
    text = json.dumps(json.loads(file.read_text("utf-8")), indent=1, ensure_ascii=False)
    lines, positions = text.splitlines(), JsonPositions(text)
    xml = xml_writer.dump(tree, indent=True)
    in_xml, xml_lines = XmlPositions(xml), xml.decode().splitlines()
    for path, name in _paths(tree):
        line, column = positions.of(path)
        assert lines[line - 1][column - 1 :].startswith(f'"{name}"')
        line, column = in_xml.of(path)
        if name != "resourceType":
            tag = name.removeprefix("_")
            assert re.match(rf'<{tag}[\s>/]|<\w+ [^>]*{tag}="', xml_lines[line - 1][column - 1 :]), path


def _paths(node: Any, path: tuple[str | int, ...] = ()) -> list[tuple[tuple[str | int, ...], str]]:
    found: list[tuple[tuple[str | int, ...], str]] = []
    if isinstance(node, dict):
        for name, value in node.items():
            if name != "div":
                found += [((*path, name), name), *_paths(value, (*path, name))]
    elif isinstance(node, list):
        for place, value in enumerate(node):
            found += _paths(value, (*path, place))
    return found
