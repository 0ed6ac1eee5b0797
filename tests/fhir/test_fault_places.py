"""What an issue names is there: FHIR R4 operationoutcome.html, issue.expression identifies an element."""

import json
import re

import fhirpathpy
import pytest
from fault_probes import PROBES, made
from fhirpathpy.models import models

from service.errors import InvalidInput, Place
from service.fhir.json import dump, parse
from service.fhir.validation import check

R4 = models["r4"]
OPERATORS = re.compile(r"\.(div|contains)\b")
"""Names of elements that FHIRPath, in full, knows as operators."""
WRONG = [
    (type_, wrong)
    for sections in PROBES.values()
    for types in sections.values()
    for type_, cases in types.items()
    for wrong, _, _ in cases
]


def filled(tree):
    """FHIRPath finds nothing in null and empty arrays, though the text has them."""
    return re.sub(rb"(?<=[:,\[])null|(?<=:)\[\]", b'[{"a":1}]', dump(tree))


@pytest.mark.conformance("E12")
@pytest.mark.published("fhirpathpy, another FHIRPath engine")
def test_each_expression_leads_to_an_element_that_is_there(tell):
    told = 0
    for type_, wrong in WRONG:
        tree = parse(dump(made(type_, wrong)))
        for issue in check(tree):
            expression = OPERATORS.sub(r".`\1`", issue.place.expression)
            found = fhirpathpy.evaluate(json.loads(filled(tree)), expression, model=R4)
            assert found, (wrong, issue)
            told += 1
    assert told > 300
    tell(f"{told} issues of {len(WRONG)} faults name an element that fhirpathpy finds")


@pytest.mark.parametrize(
    ("member", "place"),
    [
        ('"activ":true', Place("Patient", path="Patient.activ")),
        ('"name":[{"text":"a","x":1}]', Place("Patient.name[0]", path="Patient.name[0].x")),
        (
            '"communication":[{"preferred":true}]',
            Place("Patient.communication[0]", path="Patient.communication[0].language"),
        ),
        ('"multipleBirthInteger":"1"', Place("Patient.multipleBirth", path="Patient.multipleBirthInteger")),
        ('"birthDate":"1970-13"', Place("Patient.birthDate")),
        ('"_birthDate":{"extension":[{"url":"a:b"}]}', Place("Patient.birthDate.extension[0]")),
        (
            '"name":[{"given":["a"],"_given":[{"extension":[{"url":1}]}]}]',
            Place("Patient.name[0].given[0].extension[0].url"),
        ),
        (
            '"contained":[{"resourceType":"Group","id":"a"}]',
            Place("Patient.contained[0]", path="Patient.contained[0].type"),
        ),
    ],
)
def test_what_is_missing_or_unknown_is_told_where_it_is_missing(member, place):
    issues = check(parse(f'{{"resourceType":"Patient",{member}}}'))
    assert place in [issue.place for issue in issues]


UNREADABLE = [
    ('{"resourceType":"Patient","name":[{"family":"a" "given":["b"]}]}', "Patient.name[0]"),
    ('{"resourceType":"Patient","name":[{"given":["b" "c"]}]}', "Patient.name[0].given"),
    ('{resourceType:"Patient"}', "Patient"),
    ('{"active":tru,"resourceType":"Patient"}', "Patient"),
    ('{"resourceType":"Patient","id":"1","id":"2"}', "Patient"),
    ('{"resourceType":"Patient","other":{"name":tru}}', "Patient"),
    ('{"resourceType":"Observation","valueQuantity":{"value":.5}}', "Observation.value"),
    (
        '{"resourceType":"Bundle","entry":[{"resource":{"resourceType":"Patient","name":[x]}}]}',
        "Bundle.entry[0].resource",
    ),
    ('{"name":[}', ""),
    ('{"resourceType":"Zork",}', ""),
]


@pytest.mark.parametrize(("text", "expression"), UNREADABLE)
def test_text_that_is_not_json_is_told_at_the_element_being_read(text, expression):
    with pytest.raises(InvalidInput) as refused:
        parse(text)
    (issue,) = refused.value.issues
    assert issue.place.expression == expression
    assert issue.severity == "fatal"
    assert issue.place.line == 1
