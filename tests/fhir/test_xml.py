"""FHIR XML against FHIR JSON: equal both ways, and what is refused."""

import json
import os
import time
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from r4_examples import example_files

from service.errors import InvalidInput, NotAcceptable
from service.fhir import json as fhir_json
from service.fhir.json import sorted_text
from service.fhir.search_parameters import stored_types
from service.fhir.xml import parse
from service.fhir.xml_writer import dump

NS = 'xmlns="http://hl7.org/fhir"'
XHTML = 'xmlns="http://www.w3.org/1999/xhtml"'
CASES = Path(os.environ.get("CONFORMANCE_DATA", "")) / "validator"


def patient(inside: str) -> bytes:
    return f"<Patient {NS}>{inside}</Patient>".encode()


def narrative(div: str) -> bytes:
    return patient(f'<text><status value="generated"/>{div}</text>')


@pytest.mark.conformance("A4")
@pytest.mark.published("hl7.fhir.r4.examples 4.0.1")
@pytest.mark.parametrize("type_", stored_types())
def test_official_examples_come_back_equal_through_xml(type_):
    files = example_files(type_)
    assert files
    for number, file in enumerate(files):
        tree = fhir_json.parse(file.read_bytes(), max_depth=200)
        again = parse(dump(tree, indent=number % 2 == 1), max_depth=200)
        assert sorted_text(again) == sorted_text(tree), file.name


@pytest.mark.conformance("A4", "A19")
@pytest.mark.published("FHIR R4 json.html, xml.html: primitives with ids and extensions, and their alignment")
def test_null_alignment_ids_and_extensions_of_primitives():
    tree = {
        "resourceType": "Patient",
        "id": "p",
        "_birthDate": {"id": "b", "extension": [{"url": "http://x.example", "valueBoolean": False}]},
        "birthDate": "1970-03",
        "_active": {"extension": [{"url": "http://x.example", "valueDecimal": Decimal("72.50")}]},
        "name": [{"given": ["A", None, "C"], "_given": [None, {"id": "g"}, None]}, {"_given": [{"id": "x"}]}],
    }
    text = dump(tree)
    assert sorted_text(parse(text)) == sorted_text(tree)
    assert b'<given value="A"/><given id="g"/><given value="C"/>' in text
    assert b'<valueDecimal value="72.50"/>' in text


@pytest.mark.conformance("A4", "A19")
@pytest.mark.parametrize("number", ["72.50", "1.0E2", "0.00000001", "-0.0", "1e-7", "100", "-0"])
def test_numbers_keep_their_text(number):
    sent = f'{{"resourceType":"Observation","valueQuantity":{{"value":{number}}}}}'.encode()
    through = fhir_json.dump(parse(dump(fhir_json.parse(sent))))
    assert through == sent


@pytest.mark.conformance("A4")
@given(
    st.text(
        st.characters(exclude_categories=("Cs",), exclude_characters="\ufffe\uffff").filter(
            lambda c: c >= " " or c in "\t\n\r"
        ),
        min_size=1,
    )
)
def test_any_text_survives(text):
    tree = {"resourceType": "Patient", "name": [{"text": text}]}
    assert parse(dump(tree)) == tree


@pytest.mark.conformance("A4")
@pytest.mark.parametrize(
    "div",
    [
        f"<div {XHTML}>a<br />b</div>",
        f"<div   {XHTML} ><p title='x \"y\"'>&lt;&#160;é</p><!-- c --></div >",
        f'<div {XHTML}>\n\t<img src="#a"/>\r\n</div>',
        f'<div xml:lang="de" {XHTML}><table><tr><td/></tr></table></div>',
    ],
)
def test_the_narrative_is_kept_as_it_was_written(div):
    tree = {"resourceType": "Patient", "text": {"status": "generated", "div": div}}
    assert parse(dump(tree)) == tree


def test_names_of_characters_become_numbers():
    tree = {"resourceType": "Patient", "text": {"div": f"<div {XHTML}>a&nbsp;b&amp;</div>"}}
    assert parse(dump(tree))["text"]["div"] == f"<div {XHTML}>a&#160;b&amp;</div>"


def test_a_narrative_with_foreign_prefixes_is_written_anew():
    inside = '<h:p title="q&quot;">a<h:br/>&amp;<![CDATA[<]]></h:p>'
    div = f'<h:div xmlns:h="http://www.w3.org/1999/xhtml">{inside}</h:div>'
    assert parse(narrative(div))["text"]["div"] == f"<div {XHTML}><p title='q\"'>a<br/>&amp;&lt;</p></div>"


def test_contained_resources_and_nested_bundles():
    inner = {
        "resourceType": "Bundle",
        "type": "collection",
        "entry": [{"resource": {"resourceType": "Basic"}}],
    }
    tree = {
        "resourceType": "Bundle",
        "type": "collection",
        "entry": [
            {"fullUrl": "urn:uuid:1", "resource": inner},
            {
                "resource": {
                    "resourceType": "Patient",
                    "contained": [{"resourceType": "Basic", "id": "b"}] * 2,
                }
            },
        ],
    }
    assert parse(dump(tree)) == tree


def test_an_element_that_is_called_resource_type_is_kept():
    tree = {"resourceType": "ExampleScenario", "instance": [{"resourceId": "a", "resourceType": "Patient"}]}
    assert parse(dump(tree)) == tree


def test_prefixes_and_schema_locations_are_read():
    sent = (
        '<f:Patient xmlns:f="http://hl7.org/fhir" xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance" '
        'xsi:schemaLocation="http://hl7.org/fhir patient.xsd"><f:active value="true"/></f:Patient>'
    )
    assert parse(sent.encode()) == {"resourceType": "Patient", "active": True}


REFUSED = {
    "external entity": '<!DOCTYPE a [<!ENTITY x SYSTEM "file:///etc/hostname">]><Patient/>',
    "entity bomb": '<!DOCTYPE a [<!ENTITY a "aa"><!ENTITY b "&a;&a;">]><Patient/>',
    "external subset": '<!DOCTYPE Patient SYSTEM "http://localhost/a.dtd"><Patient/>',
    "processing instruction": f'<?xml-stylesheet href="a"?><Patient {NS}/>',
    "no namespace": "<Patient/>",
    "another namespace": '<Patient xmlns="http://hl7.org/fhir/other"/>',
    "no resource": f"<Nonsense {NS}/>",
    "two roots": f"<Patient {NS}/><Patient {NS}/>",
    "no xml": '{"resourceType":"Patient"}',
    "nothing": "",
    "another encoding": f'<?xml version="1.0" encoding="latin-1"?><Patient {NS}/>',
    "control character": patient('<id value="&#1;"/>').decode(),
    "html entity": narrative(f"<div {XHTML}>&nbsp;</div>").decode(),
}


@pytest.mark.conformance("A4", "L7")
@pytest.mark.parametrize("text", REFUSED.values(), ids=REFUSED)
def test_what_is_no_fhir_xml_is_refused_with_its_line(text):
    with pytest.raises(InvalidInput) as refused:
        parse(text.encode())
    assert refused.value.issues[0].place.line == 1


@pytest.mark.parametrize(
    "data", [b"\xff\xfe<", f"<Patient {NS}/>".encode("utf-16"), patient("").replace(b"P", b"\xc3", 1)]
)
def test_bytes_that_are_not_utf8_are_refused(data):
    with pytest.raises(InvalidInput, match="UTF-8"):
        parse(data)


@pytest.mark.conformance("L7")
@pytest.mark.parametrize(
    "inside",
    [
        '<extension url="x">' * 200_000,
        "<nonsense>" * 200_000,
        f'<text><status value="generated"/><div {XHTML}>' + "<b>" * 200_000,
        "<nonsense/>" * 200_000,
        '<name><given value="' + "&amp;" * 500_000 + '"/></name><x/>',
    ],
    ids=["extensions", "unknown", "narrative", "many faults", "long value"],
)
def test_hostile_documents_are_refused_at_once(inside):
    began = time.perf_counter()
    with pytest.raises(InvalidInput) as refused:
        parse(patient(inside))
    assert time.perf_counter() - began < 1
    assert len(refused.value.issues) <= 100


FAULTS = [
    ("Patient.name[0]", '<name><givn value="x"/></name>'),
    ("Patient.name[0].given[1]", '<name><given value="a"/><given value="b" use="c"/></name>'),
    ("Patient.active", '<active value="yes"/>'),
    ("Patient.gender", '<birthDate value="1970"/><gender value="male"/>'),
    ("Patient.birthDate", '<birthDate value="1970"/><birthDate value="1971"/>'),
    ("Patient.multipleBirth", '<multipleBirthInteger value="01"/>'),
    ("Patient.contained[0]", "<contained/>"),
    ("Patient.contained[0]", '<contained><Patient><activ value="true"/></Patient></contained>'),
    ("Patient", "text<active value='true'/>"),
    ("Patient.telecom[0]", "<telecom/>"),
    ("Patient", '<id xmlns="http://other.example" value="a"/>'),
    (
        "Patient.text.div",
        f'<text><status value="generated"/><div {XHTML}><svg xmlns="http://www.w3.org/2000/svg"/></div></text>',
    ),
]


@pytest.mark.conformance("A4")
@pytest.mark.parametrize(("expression", "inside"), FAULTS)
def test_faults_name_their_place(expression, inside):
    with pytest.raises(InvalidInput) as refused:
        parse(patient("\n" + inside))
    (issue,) = refused.value.issues
    assert (issue.place.expression, issue.place.line) == (expression, 2)


def test_every_fault_is_told_at_once():
    with pytest.raises(InvalidInput) as refused:
        parse(patient('<foo/><active value="1"/><bar/>'))
    assert [issue.place.expression for issue in refused.value.issues] == [
        "Patient",
        "Patient.active",
        "Patient",
    ]


@pytest.mark.parametrize(
    "tree",
    [
        {"resourceType": "Patient", "name": [{"text": "a\u0007"}]},
        {"resourceType": "Patient", "text": {"status": "generated", "div": "<div>a<br></div>"}},
        {"resourceType": "Patient", "text": {"status": "generated", "div": "<p/>"}},
        {"resourceType": "Patient", "text": {"status": "generated", "div": "<!DOCTYPE a><div/>"}},
    ],
)
def test_what_xml_cannot_carry_is_not_acceptable(tree):
    with pytest.raises(NotAcceptable, match="JSON"):
        dump(tree)


@pytest.mark.parametrize(
    "tree",
    [
        {"resourceType": "Patient", "nonsense": 1},
        {"resourceType": "Nonsense"},
        {"resourceType": "Patient", "name": {"text": "a"}},
        {"resourceType": "Patient", "name": ["a"]},
        {"resourceType": "Patient", "contained": ["a"]},
    ],
)
def test_what_r4_does_not_have_is_not_written(tree):
    with pytest.raises(InvalidInput):
        dump(tree)


@pytest.mark.skipif("CONFORMANCE_DATA" not in os.environ, reason="CONFORMANCE_DATA names no folder")
@pytest.mark.published("FHIR/fhir-test-cases, R4 validator cases")
def test_official_xml_of_validator_cases(tell):
    cases = json.loads((CASES / "cases.json").read_bytes())
    files = {case["file"]: case["expect"] for case in cases if case["file"].endswith(".xml")}
    read = 0
    for name, expected in files.items():
        try:
            tree = parse((CASES / name).read_bytes())
        except InvalidInput:
            assert expected == "err", name
        else:
            assert sorted_text(parse(dump(tree))) == sorted_text(tree), name
            read += 1
    assert read
    tell(f"{read} of {len(files)} XML validator cases are equal written and read again; the rest must fail")
