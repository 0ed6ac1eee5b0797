"""XML Patch on the XML form of a resource (RFC 5261, RFC 7351)."""

from copy import deepcopy

import pytest

from service.errors import InvalidInput, RuleViolation
from service.fhir.patch_xml import xml_patch

pytestmark = pytest.mark.conformance("B18")

DIV = '<div xmlns="http://www.w3.org/1999/xhtml">a<br />b</div>'
PATIENT = {
    "resourceType": "Patient",
    "id": "p",
    "text": {"status": "additional", "div": DIV},
    "active": True,
    "name": [{"family": "X", "given": ["A", "B"]}, {"use": "official", "given": ["C"]}],
    "birthDate": "1970-01-01",
}


def patched(inside, root='<diff xmlns:f="http://hl7.org/fhir" xmlns="http://hl7.org/fhir">', tree=PATIENT):
    end = root[1:].partition(" ")[0]
    return xml_patch(f"{root}{inside}</{end}>".encode())(deepcopy(tree))


DONE = {
    "replace a value": (
        '<replace sel="f:Patient/f:birthDate/@value">1974-12-25</replace>',
        {"birthDate": "1974-12-25"},
    ),
    "replace an element": (
        '<replace sel="f:Patient/f:birthDate"><birthDate value="1980"/></replace>',
        {"birthDate": "1980"},
    ),
    "add at the end": (
        '<add sel="/f:Patient"><maritalStatus><text value="m"/></maritalStatus></add>',
        {"maritalStatus": {"text": "m"}},
    ),
    "add before": (
        '<add sel="Patient/birthDate" pos="before">\n<gender value="male"/>\n</add>',
        {"gender": "male"},
    ),
    "add after": (
        '<add sel="Patient/name[1]" pos="after"><name id="n"/><name id="o"/></add>',
        {"name": [PATIENT["name"][0], {"id": "n"}, {"id": "o"}, PATIENT["name"][1]]},
    ),
    "add first": (
        '<remove sel="Patient/name[2]/use"/><add sel="*/name[2]" pos="prepend"><use value="old"/></add>',
        {"name": [PATIENT["name"][0], {"use": "old", "given": ["C"]}]},
    ),
    "add an attribute": ('<add sel="Patient/active" type="@id">a</add>', {"_active": {"id": "a"}}),
    "remove": ("<remove sel=\"Patient/name[f:use/@value='official']\"/>", {"name": [PATIENT["name"][0]]}),
    "remove by a quoted value": (
        "<remove sel='Patient/name/given[@value=\"B\"]'/>",
        {"name": [{"family": "X", "given": ["A"]}, PATIENT["name"][1]]},
    ),
    "nothing": ("", {}),
}


@pytest.mark.published("RFC 5261 sections 4.3 to 4.5; FHIR R4 http.html, patch")
@pytest.mark.parametrize(("inside", "difference"), DONE.values(), ids=DONE)
def test_operations(inside, difference):
    assert patched(inside) == PATIENT | difference


@pytest.mark.published("RFC 7351: application/xml-patch+xml, root element patch")
def test_the_root_of_the_media_type():
    root = '<p:patch xmlns:p="urn:ietf:rfc:7351" xmlns:f="http://hl7.org/fhir">'
    assert "birthDate" not in patched('<p:remove sel="f:Patient/f:birthDate"/>', root)


def test_text_in_the_narrative_can_be_changed():
    sent = '<replace sel="Patient/text/h:div/text()[1]">c</replace>'
    root = '<diff xmlns:h="http://www.w3.org/1999/xhtml" xmlns="http://hl7.org/fhir">'
    with pytest.raises(InvalidInput):
        patched(sent, root)
    tree = PATIENT | {
        "text": {"status": "additional", "div": '<div xmlns="http://www.w3.org/1999/xhtml"><p>a</p></div>'}
    }
    done = patched('<replace sel="Patient/text/h:div/h:p/text()">c</replace>', root, tree)
    assert done["text"]["div"] == '<div xmlns="http://www.w3.org/1999/xhtml"><p>c</p></div>'


CANNOT = {
    "nothing found": '<remove sel="Patient/gender"/>',
    "several found": '<remove sel="Patient/name"/>',
    "an attribute twice": '<add sel="Patient/active" type="@value">false</add>',
    "nothing to add": '<add sel="Patient"/>',
    "beside the resource": '<add sel="Patient" pos="after"><a/></add>',
    "to an attribute": '<add sel="Patient/active/@value"><a/></add>',
    "the resource": '<remove sel="Patient"/>',
    "two for one": '<replace sel="Patient/active"><active value="true"/><active value="true"/></replace>',
    "an unknown element": '<add sel="Patient"><colour value="x"/></add>',
    "out of order": '<add sel="Patient"><active value="true"/></add>',
    "without namespace": '<add sel="Patient"><gender xmlns="" value="male"/></add>',
    "an empty element": '<remove sel="Patient/active/@value"/>',
}


@pytest.mark.parametrize("inside", CANNOT.values(), ids=CANNOT)
def test_what_cannot_be_done_is_a_rule_violation(inside):
    with pytest.raises(RuleViolation):
        patched(inside)


NO_PATCH = {
    "no xml": b"[]",
    "no utf-8": b"\xff",
    "another root": b"<changes/>",
    "another operation": b'<diff><move sel="a"/></diff>',
    "no selector": b"<diff><remove/></diff>",
    "all descendants": b'<diff><remove sel="//name"/></diff>',
    "a function": b'<diff><remove sel="Patient/name[count(//*)]"/></diff>',
    "an axis": b'<diff><remove sel="Patient/descendant::name"/></diff>',
    "another namespace": b'<diff xmlns:g="http://g.example"><remove sel="g:Patient"/></diff>',
    "an unknown prefix": b'<diff><remove sel="g:Patient"/></diff>',
    "another position": b'<diff><add sel="Patient" pos="inside"/></diff>',
    "a namespace to add": b'<diff><add sel="Patient" type="namespace::x">y</add></diff>',
    "an entity": b'<!DOCTYPE diff [<!ENTITY x SYSTEM "file:///etc/hostname">]><diff>&x;</diff>',
    "a bomb": b'<!DOCTYPE diff [<!ENTITY a "aa"><!ENTITY b "&a;&a;">]><diff>&b;</diff>',
    "an instruction": b"<?php x?><diff/>",
    "deep nesting": b"<diff>" + b"<a>" * 1_000 + b"</a>" * 1_000 + b"</diff>",
    "nesting": b"<diff><add sel='Patient'>" + b"<a>" * 100 + b"</a>" * 100 + b"</add></diff>",
}


@pytest.mark.conformance("L7")
@pytest.mark.parametrize("body", NO_PATCH.values(), ids=NO_PATCH)
def test_what_is_no_patch_is_refused(body):
    with pytest.raises(InvalidInput):
        xml_patch(body)


def test_a_resource_xml_cannot_carry_is_not_patched():
    with pytest.raises(RuleViolation):
        patched("", tree=PATIENT | {"name": [{"text": "\u0007"}]})
