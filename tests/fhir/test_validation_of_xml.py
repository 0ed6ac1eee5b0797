"""The XML form of a resource has the faults of its JSON form, no more and no fewer."""

import pytest
from r4_examples import FOLDER

from service.errors import InvalidInput, NotAcceptable
from service.fhir import xml
from service.fhir.json import parse
from service.fhir.positions import located
from service.fhir.positions_xml import XmlPositions
from service.fhir.validation import check
from service.fhir.xml_writer import dump

SOURCE = "hl7.fhir.r4.examples 4.0.1"


def told(issues):
    return sorted((one.place.expression, one.message, one.severity, one.code, one.rule) for one in issues)


@pytest.mark.conformance("A4")
@pytest.mark.published(SOURCE)
def test_every_official_example_has_the_same_issues_in_xml(tell):
    if not FOLDER.is_dir():
        raise FileNotFoundError("The official FHIR R4 examples are not there; run: make .cache/r4-examples")
    compared, issues, not_xml = 0, 0, []
    for file in sorted(FOLDER.glob("*-*.json")):
        tree = parse(file.read_bytes())
        found = check(tree)
        try:
            text = dump(tree)
        except (InvalidInput, NotAcceptable):
            assert found, file.name
            not_xml.append(file.name)
            continue
        same = check(xml.parse(text))
        assert told(same) == told(found), file.name
        lines = text.count(b"\n") + 1
        assert all(0 < (one.place.line or 0) <= lines for one in located(same, XmlPositions(text)))
        compared += 1
        issues += len(found)
    tell(
        f"{compared} official examples have the same {issues} issues as JSON and as XML; {len(not_xml)} "
        "break R4 so that there is no XML of them"
    )
    assert compared + len(not_xml) == 5306
    assert len(not_xml) < 10, not_xml
