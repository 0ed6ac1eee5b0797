"""Every official example is valid R4, but for those in a kept table, each with the section it breaks.

The XML form of a resource has the faults of its JSON form, no more and no fewer.
"""

from dataclasses import dataclass

import pytest
from r4_examples import FOLDER, REFUSED

from service.errors import InvalidInput, Issue, NotAcceptable, Severity
from service.fhir import xml
from service.fhir.json import parse
from service.fhir.positions import located
from service.fhir.positions_xml import XmlPositions
from service.fhir.validation import check
from service.fhir.xml_writer import dump

SOURCE = "hl7.fhir.r4.examples 4.0.1"


@dataclass(frozen=True)
class Judged:
    """One example: its issues, those of its XML (None if there is no XML of it), whether each has a line."""

    name: str
    issues: list[Issue]
    in_xml: list[Issue] | None = None
    placed: bool = True


@pytest.fixture(scope="module")
def judged() -> list[Judged]:
    """All official examples, each read, judged and written as XML; judged again if that reads otherwise."""
    if not FOLDER.is_dir():
        raise FileNotFoundError("The official FHIR R4 examples are not there; run: make .cache/r4-examples")
    return [_judged(file.name, file.read_bytes()) for file in sorted(FOLDER.glob("*-*.json"))]


def _judged(name: str, text: bytes) -> Judged:
    tree = parse(text)
    found = check(tree)
    try:
        written = dump(tree)
    except (InvalidInput, NotAcceptable):
        return Judged(name, found)
    again = xml.parse(written)
    same = found if again == tree else check(again)
    lines = written.count(b"\n") + 1
    placed = all(0 < (one.place.line or 0) <= lines for one in located(same, XmlPositions(written)))
    return Judged(name, found, same, placed)


@pytest.mark.published(SOURCE)
def test_only_examples_that_break_the_standard_are_refused(judged, tell):
    refused = {}
    for one in judged:
        if errors := [issue for issue in one.issues if issue.severity is Severity.ERROR]:
            refused[one.name] = [(issue.place.expression, issue.message) for issue in errors[:3]]
    assert {name: why for name, why in refused.items() if name not in REFUSED} == {}
    assert REFUSED.keys() - refused.keys() == set()
    assert len(judged) == 5306
    tell(
        f"{len(judged)} official examples validated, {len(refused)} refused, each with its section of the "
        "standard"
    )


def told(issues):
    return sorted((one.place.expression, one.message, one.severity, one.code, one.rule) for one in issues)


@pytest.mark.conformance("A4")
@pytest.mark.published(SOURCE)
def test_every_official_example_has_the_same_issues_in_xml(judged, tell):
    compared = [one for one in judged if one.in_xml is not None]
    not_xml = [one for one in judged if one.in_xml is None]
    for one in compared:
        assert told(one.in_xml) == told(one.issues), one.name
        assert one.placed, one.name
    assert all(one.issues for one in not_xml)
    issues = sum(len(one.issues) for one in compared)
    tell(
        f"{len(compared)} official examples have the same {issues} issues as JSON and as XML; {len(not_xml)} "
        "break R4 so that there is no XML of them"
    )
    assert len(judged) == 5306
    assert len(not_xml) < 10, not_xml
