"""Invariants whose published expression says something else than the rule, and trees that are no FHIR."""

from decimal import Decimal
from itertools import product

import pytest

from service.fhir.elements import elements
from service.fhir.validation.invariants import _tables, invariants

UCUM = "http://unitsofmeasure.org"
JUNK = (
    None,
    True,
    1,
    Decimal("1.5"),
    "x",
    "",
    [],
    {},
    [None],
    [1],
    ["x"],
    [[]],
    [{}],
    {"x": 1},
    [{"code": []}],
)
SAID = "HL7 FHIR R4 4.0.1, the sentences of its constraints"


def holds(path, key, node, resource=None, root=None):
    rule = next(one for one in invariants(path) if one.key == key)
    own = node if resource is None else resource
    return rule.holds(node, own, own if root is None else root)


@pytest.mark.parametrize(
    ("start", "end", "right"),
    [
        ("2026-02-04", "2026-02-04", True),
        ("2026-02-05", "2026-02-04", False),
        ("2026", "2026-02-04", False),  # not surely
        ("2026-02", "2026", False),
        ("2025-12", "2026", True),
        ("2026-03", "2026-02-04", False),
        ("2026-02-03", "2026-02-04T10:00:00Z", True),
        ("2026-02-04", "2026-02-04T10:00:00Z", False),
        ("2026-02-04T10:00:00Z", "2026-02-04T10:00:00Z", True),
        ("2026-02-04T10:00:00.5Z", "2026-02-04T10:00:00.4Z", False),
        ("2026-02-04T10:00:00Z", "2026-02-04T10:00:00.000Z", True),
        ("2026-02-04T10:00:00+02:00", "2026-02-04T09:00:00+01:00", True),
        ("2026-02-04T10:00:00+01:00", "2026-02-04T10:00:00+02:00", False),
        ("2026-02-04T23:30:00-05:00", "2026-02-05T01:00:00Z", False),
        ("2026-02-04T10:00:00", "2026-02-04T11:00:00Z", False),
        ("not a date", "2026", True),
        (["2026"], "2025", True),
    ],
)
@pytest.mark.published(SAID)
def test_what_surely_comes_after(start, end, right):
    assert holds("Task", "inv-1", {"authoredOn": start, "lastModified": end}) is right
    assert holds("MedicationDispense", "mdd-1", {"whenPrepared": start, "whenHandedOver": end}) is right


@pytest.mark.parametrize(
    ("start", "end", "right"),
    [
        ("2026-02-04", "2026-02-04", True),
        ("2026-02", "2026", True),
        ("2026", "2026-02-04", False),
        ("2026-02-04T10:00:00Z", "2026-02-04", True),
        ("2026-02-04", "2026-02-04T10:00:00Z", False),
        ("2026-02-05", "2026-02-04", False),
        ("2026-03", "2026-02-04", False),
        ("2026", "2025-12-31", False),
        ("2026-02-05T10:00:00Z", "2026-02-04", False),
        ("2026-02-04T10:00:00+01:00", "2026-02-04T10:00:00+02:00", False),
        ("not a date", "2026", True),
    ],
)
@pytest.mark.published("FHIR R4 datatypes.html#Period: the end includes every time it matches")
def test_a_period_does_not_end_before_it_starts(start, end, right):
    assert holds("Period", "per-1", {"start": start, "end": end}) is right


def measure(value, unit, system=UCUM):
    return {"value": value, "code": unit, "system": system}


@pytest.mark.parametrize(
    ("low", "high", "right"),
    [
        (measure(1, "g"), measure(2, "g"), True),
        (measure(2, "g"), measure(1, "g"), False),
        (measure(Decimal("1.0"), "g"), measure(1, "g"), True),
        (measure(5, "mg"), measure(1, "g"), True),
        (measure(5, "g"), measure(1000, "mg"), False),
        (measure(5, "g"), measure(1, "m"), False),
        (measure(5, "x", "http://x.example"), measure(1, "y", "http://x.example"), False),
        ({"value": 5, "unit": "drops"}, {"value": 1, "unit": "drops"}, False),
        ({"value": 5, "unit": "drops"}, {"value": 6, "unit": "cups"}, False),
        ({"value": 5}, {"value": 1}, False),
        ({"value": 5}, {"unit": "g"}, False),
        ("x", {"value": 1}, True),
    ],
)
@pytest.mark.published(SAID)
def test_a_range_is_surely_in_order(low, high, right):
    assert holds("Range", "rng-2", {"low": low, "high": high}) is right


@pytest.mark.published(SAID)
def test_local_references():
    root = {"resourceType": "Observation", "contained": [{"resourceType": "Patient", "id": "p"}]}
    inner = root["contained"][0]
    assert holds("Reference", "ref-1", {"reference": "#p"}, root)
    assert holds("Reference", "ref-1", {"reference": "#p"}, inner, root)
    assert not holds("Reference", "ref-1", {"reference": "#q"}, root)
    assert not holds("Reference", "ref-1", {"reference": "#"}, root)
    assert holds("Reference", "ref-1", {"reference": "#"}, inner, root)
    assert holds("Reference", "ref-1", {"reference": "Patient/1"}, root)
    assert holds("Reference", "ref-1", {"display": "x"}, root)


@pytest.mark.parametrize(
    ("more", "right"),
    [
        ({}, False),
        ({"subject": {"reference": "#p"}}, True),
        ({"subject": {"reference": "#q"}}, False),
        ({"subject": {"reference": "Patient/p"}}, False),
        ({"extension": [{"url": "http://x.example", "valueUri": "#p"}]}, True),
        ({"extension": [{"url": "http://x.example", "valueString": "#p"}]}, False),
        ({"extension": [{"url": "http://x.example", "valueCanonical": "#p"}]}, True),
        ({"extension": [{"url": "http://x.example", "valueReference": {"reference": "#p"}}]}, True),
        ({"_status": {"extension": [{"url": "http://x.example", "valueCanonical": "#p"}]}}, True),
        ({"text": {"div": "<div><img src='#p' alt=''/></div>"}}, True),
        ({"text": {"div": "<div>#p</div>"}}, False),
    ],
)
@pytest.mark.published(SAID)
def test_a_contained_resource_is_used(more, right):
    patient = {"resourceType": "Patient", "id": "p"}
    assert (
        holds("Observation", "dom-3", {"resourceType": "Observation", "contained": [patient], **more})
        is right
    )


@pytest.mark.published(SAID)
def test_a_contained_resource_may_refer_to_the_one_around():
    inner = {"resourceType": "Provenance", "id": "p", "target": [{"reference": "#"}]}
    assert holds("Observation", "dom-3", {"resourceType": "Observation", "contained": [inner]})


@pytest.mark.published(SAID)
def test_single_rules():
    assert holds("Bundle.entry", "bdl-8", {})
    assert not holds("Bundle.entry", "bdl-8", {"fullUrl": "http://x.example/Patient/1/_history/2"})
    assert holds("ElementDefinition.binding", "eld-12", {"valueSet": "#contained"})
    assert not holds("ElementDefinition.binding", "eld-12", {"valueSet": "ValueSet/x"})
    assert holds("MessageDefinition.focus", "md-1", {})
    assert not holds("MessageDefinition.focus", "md-1", {"max": "0"})
    assert holds("Questionnaire.item.enableWhen", "que-7", {"operator": "exists", "answerBoolean": True})
    assert not holds("Questionnaire.item.enableWhen", "que-7", {"operator": "exists", "answerString": "x"})
    assert holds("Questionnaire.item", "que-12", {"enableWhen": [{}]})
    assert not holds("Questionnaire.item", "que-12", {"enableWhen": [{}, {}]})
    assert holds("Timing.repeat", "tim-9", {"offset": 30, "when": ["ACM", "PCM"]})
    assert not holds("Timing.repeat", "tim-9", {"offset": 30, "when": ["ACM", "C"]})
    assert not holds("Questionnaire", "que-0", {"name": "swallowing Quality of Life"})
    assert not holds("ElementDefinition", "eld-19", {"path": "Patient.na me"})
    assert holds("ElementDefinition", "eld-19", {"path": "Extension.value[x]:valueCode"})
    assert holds("RiskAssessment.prediction", "ras-2", {"probabilityRange": {}})
    assert not holds("RiskAssessment.prediction", "ras-2", {"probabilityDecimal": 101})


@pytest.mark.published(SAID)
def test_a_problem_has_a_status():
    def category(code):
        return [
            {"coding": [{"system": "http://terminology.hl7.org/CodeSystem/condition-category", "code": code}]}
        ]

    assert holds("Condition", "con-3", {"category": category("encounter-diagnosis")})
    assert not holds("Condition", "con-3", {"category": category("problem-list-item")})


def test_no_wrong_kind_is_raised_about():
    for path in _tables()["at"]:
        names = [*elements(path), *(f"_{name}" for name in elements(path)), "resourceType"]
        for rule in invariants(path):
            for name, junk in product(names[:40], JUNK):
                node = {"type": "x", name: junk}
                assert rule.holds(node, node, node) in {True, False}, (rule.key, node)
    for rule, junk in product(invariants("ElementDefinition.max"), JUNK):
        assert rule.holds(junk, {}, {}) in {True, False}
